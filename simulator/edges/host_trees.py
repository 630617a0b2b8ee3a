"""Several trees of host files under one mount, each below a name of its own; and the little of `/proc`."""

from __future__ import annotations

import errno
import stat
from typing import TYPE_CHECKING, Final
from uuid import UUID

from simulator.host.refusal import fault
from simulator.kernel.announcement import Announcement
from simulator.kernel.timeline import SECOND_NS

from .gpio_tree import GpioFiles, gpio_device
from .sysfs import Entry, File, Link, SysTree, fixed, folder
from .usb_tree import UsbFiles

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from simulator.model import Model

    from .header_files import Tree


# The most that one read of random bytes gets.
_CHUNK: Final = 4096
_UUID_BYTES: Final = 16


class HostTrees:
    """*trees* by name."""

    def __init__(self, trees: Mapping[str, Tree]) -> None:
        self.changed: Announcement[tuple[str, ...]] = Announcement()
        self.told: Announcement[tuple[str, ...]] = Announcement()
        self._trees: dict[str, Tree] = {}
        self.put(trees)

    def put(self, trees: Mapping[str, Tree]) -> None:
        """From now on it is these."""
        self._trees = dict(trees)
        for name, tree in self._trees.items():
            tree.changed.listen(lambda path, name=name: self.changed.announce((name, *path)))  # type: ignore[misc] # a default captures
            tree.told.listen(lambda path, name=name: self.told.announce((name, *path)))  # type: ignore[misc] # as above

    def entry(self, path: tuple[str, ...]) -> Entry:
        """What is at *path*; ENOENT where nothing is."""
        if not path:
            return Entry(stat.S_IFDIR | 0o755)
        return self._tree(path).entry(path[1:])

    def names(self, path: tuple[str, ...]) -> list[str]:
        """The names in the folder *path*."""
        return self._tree(path).names(path[1:]) if path else list(self._trees)

    def check_open(self, path: tuple[str, ...], *, reading: bool, writing: bool) -> None:
        """Whether a file may be opened so."""
        self._tree(path).check_open(path[1:], reading=reading, writing=writing)

    def target(self, path: tuple[str, ...]) -> str:
        """Where a link leads."""
        return self._tree(path).target(path[1:])

    def events(self, path: tuple[str, ...]) -> int | None:
        """How often pollers of a file have been told."""
        return self._tree(path).events(path[1:])

    def read(self, path: tuple[str, ...], offset: int = 0) -> bytes:
        """The content of a file from *offset* on."""
        return self._tree(path).read(path[1:], offset)

    def write(self, path: tuple[str, ...], data: bytes) -> int:
        """Write a file."""
        return self._tree(path).write(path[1:], data)

    def _tree(self, path: tuple[str, ...]) -> Tree:
        tree = self._trees.get(path[0])
        if tree is None:
            raise fault(errno.ENOENT)
        return tree


def sys_tree(model: Model) -> SysTree:
    """`/sys`, as far as it is about what the model has."""
    lines = model.board.lines
    gpio = GpioFiles(lines)
    chip = gpio_device(lines)
    usb = UsbFiles(model.usb_bus)
    chips = fixed(devices=folder({lines.label: Link(f"../../../{'/'.join(chip.path)}")}))
    root = folder(
        {
            "bus": folder({"gpio": chips, "usb": usb.bus, "usb-serial": usb.serial}),
            "class": fixed(gpio=gpio.folder, tty=usb.tty),
            "dev": fixed(char=folder({chip.number: Link(f"../../{'/'.join(chip.path)}")})),
            "devices": fixed(platform=fixed(gpio=folder({lines.label: chip.folder}), usb=usb.devices)),
        }
    )
    place = ("class", "gpio")
    return SysTree(root, changes=[(place, gpio.changed)], tellers=[(place, gpio.told)])


def proc_tree(uptime_ns: Callable[[], int]) -> SysTree:
    """`uptime` (proc(5)): seconds since *uptime_ns* was 0, twice, for nobody counts how long all was idle."""

    def uptime() -> str:
        seconds, rest = divmod(uptime_ns(), SECOND_NS)
        shown = f"{seconds}.{rest // (SECOND_NS // 100):02d}"
        return f"{shown} {shown}"

    return SysTree(fixed(uptime=File(read=uptime)))


def random_tree(take: Callable[[int], bytes]) -> SysTree:
    """What gives out chance (random(4)), here the next bytes of *take*: `urandom` without end, and `uuid`.

    What is written to `urandom` is taken, and changes nothing.
    """
    return SysTree(
        fixed(
            urandom=File(binary=lambda _: take(_CHUNK), write=lambda _: None),
            uuid=File(read=lambda: str(UUID(bytes=take(_UUID_BYTES), version=4))),
        )
    )
