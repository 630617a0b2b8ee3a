"""The host's GPIO lines as files below `class/gpio`, with the semantics and errors of the Linux kernel.

Lines in; folders and files out.  After drivers/gpio/gpiolib-sysfs.c, from memory: nothing was compared with a
kernel that has real lines.  What poll(2) tells of a `value` that nobody has read yet is this kernel's own way
with every file of sysfs, and was seen.  Unlike there, the folders stand in `class/gpio` itself and not behind
links.
"""

from __future__ import annotations

import errno
import re
from dataclasses import dataclass
from functools import partial
from typing import TYPE_CHECKING, Final

from simulator.host.refusal import fault
from simulator.kernel.announcement import Announcement

from .sysfs import File, Folder, Link, SysTree, fixed, folder, text

if TYPE_CHECKING:
    from collections.abc import Mapping

    from simulator.board.host import HostLine, HostLines

    from .sysfs import Node, Path

FOLDER: Final = ("class", "gpio")
EDGES: Final = ("none", "rising", "falling", "both")
# Who holds an exported line, as other interfaces show it.
CONSUMER: Final = "sysfs"

# The number of the character device: that of /dev/full, which is harmless and stands for it in a sandbox.
DEVICE: Final = (1, 7)

_PLATFORM: Final = ("devices", "platform", "gpio")
_BY: Final = "script"
_NUMBER: Final = re.compile(r"([+-]?)(0[xX][0-9a-fA-F]+|0[0-7]*|[1-9][0-9]*)\n?")


@dataclass(slots=True, kw_only=True)
class _Exported:
    """One line that has been exported; *events* counts the edges that its pollers were told of."""

    line: HostLine
    active_low: bool = False
    edge: str = "none"
    # Counting from 1, while a file that was just opened has seen 0: a poll before any read returns at once.
    events: int = 1


def number_in(text: str) -> int:
    """A number as the kernel's kstrtol with base 0 reads it; EINVAL for other texts, ERANGE past 64 bits."""
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise fault(errno.EINVAL)
    digits = found[2]
    base = 16 if digits[:2] in ("0x", "0X") else 8 if digits[0] == "0" else 10
    number = int(f"{found[1]}{digits}", base)
    if not -(2**63) <= number < 2**63:
        raise fault(errno.ERANGE)
    return number


class GpioFiles:
    """`class/gpio` of one chip.

    `changed` announces the `value` file of an exported line whose level has changed by itself, `told` one at
    which an edge came that its `edge` file asks for.
    """

    def __init__(self, lines: HostLines) -> None:
        self.changed: Announcement[Path] = Announcement()
        self.told: Announcement[Path] = Announcement()
        self._lines = lines
        self._exported: dict[int, _Exported] = {}
        chip = f"gpiochip{lines.base}"
        self._entries: dict[str, Node] = {
            "export": File(write=self._export),
            "unexport": File(write=self._unexport),
            chip: fixed(
                base=text(str(lines.base)),
                device=Link(f"../../../{'/'.join(_PLATFORM)}/{lines.label}"),
                label=text(lines.label),
                ngpio=text(str(lines.count)),
                subsystem=Link("../../../class/gpio"),
                uevent=text(""),
            ),
        }
        self.folder = Folder(lambda: self._entries)
        lines.changed.listen(self._on_level)
        lines.restarted.listen(self._on_restart)

    # -- what is there ------------------------------------------------------

    def _files_of(self, exported: _Exported) -> Mapping[str, Node]:
        return {
            "active_low": File(
                read=lambda: str(int(exported.active_low)), write=partial(self._set_active_low, exported)
            ),
            "device": Link(f"../../../{'/'.join(_PLATFORM)}/{self._lines.label}"),
            "direction": File(
                read=lambda: exported.line.direction, write=partial(self._set_direction, exported)
            ),
            "edge": File(read=lambda: exported.edge, write=partial(self._set_edge, exported)),
            "subsystem": Link("../../../class/gpio"),
            "uevent": text(""),
            "value": File(
                read=lambda: str(int(self._value(exported))),
                write=partial(self._set_value, exported),
                events=lambda: exported.events,
            ),
        }

    # -- what files do ------------------------------------------------------

    def _export(self, text: str) -> None:
        number = number_in(text)
        line = self._line(number)
        if not line.claim(CONSUMER):
            raise fault(errno.EBUSY)
        exported = self._exported[number] = _Exported(line=line)
        self._entries[f"gpio{number}"] = folder(self._files_of(exported))
        self._lines.used.announce((line, "requested"))

    def _unexport(self, text: str) -> None:
        number = number_in(text)
        self._line(number)
        exported = self._exported.pop(number, None)
        if exported is None:
            raise fault(errno.EINVAL)
        del self._entries[f"gpio{number}"]
        exported.line.give_up(by=_BY)

    def _line(self, number: int) -> HostLine:
        try:
            return self._lines.line(number - self._lines.base)
        except IndexError:
            raise fault(errno.EINVAL) from None

    def _set_direction(self, exported: _Exported, text: str) -> None:
        match text.removesuffix("\n"):
            case "in":
                exported.line.make_input(by=_BY)
            case "out" | "low":  # the level is raw: active_low does not count here
                exported.line.drive(False, by=_BY)  # noqa: FBT003 # a level
            case "high":
                exported.line.drive(True, by=_BY)  # noqa: FBT003 # a level
            case _:
                raise fault(errno.EINVAL)
        self._lines.used.announce((exported.line, "reconfigured"))

    def _value(self, exported: _Exported) -> bool:
        level = exported.line.read() if exported.line.direction == "in" else exported.line.output
        return level is not exported.active_low

    def _set_value(self, exported: _Exported, text: str) -> None:
        if exported.line.direction == "in":
            raise fault(errno.EPERM)
        level = bool(number_in(text)) is not exported.active_low
        exported.line.drive(level, by=_BY)

    def _set_active_low(self, exported: _Exported, text: str) -> None:
        exported.active_low = bool(number_in(text))

    def _set_edge(self, exported: _Exported, text: str) -> None:
        edge = text.removesuffix("\n")
        if edge not in EDGES:
            raise fault(errno.EINVAL)
        if edge != "none" and exported.line.direction == "out":
            raise fault(errno.EIO)  # an output cannot be an interrupt
        exported.edge = edge

    def _on_level(self, line: HostLine) -> None:
        number = self._lines.base + line.offset
        exported = self._exported.get(number)
        if exported is None:
            return
        path = (f"gpio{number}", "value")
        self.changed.announce(path)
        edge = "rising" if self._value(exported) else "falling"
        if exported.edge in ("both", edge) and line.direction == "in":
            exported.events += 1
            self.told.announce(path)

    def _on_restart(self, news: None) -> None:
        """Nothing is exported on a host that boots."""
        del news
        for number in self._exported:
            del self._entries[f"gpio{number}"]
        self._exported.clear()


@dataclass(frozen=True, slots=True)
class GpioDevice:
    """The chip as a device: where it stands below the root, its number, and its folder."""

    path: Path
    number: str
    folder: Folder


def gpio_device(lines: HostLines) -> GpioDevice:
    """The chip of *lines*, by whose files programs tell that it is one."""
    major, minor = DEVICE
    return GpioDevice(
        path=(*_PLATFORM, lines.label),
        number=f"{major}:{minor}",
        folder=fixed(
            dev=text(f"{major}:{minor}"),
            subsystem=Link("../../../../bus/gpio"),
            uevent=text(f"MAJOR={major}\nMINOR={minor}\nDEVNAME={lines.label}"),
        ),
    )


def gpio_tree(lines: HostLines) -> SysTree:
    """`class/gpio` alone, where nothing else of the host is shown."""
    files = GpioFiles(lines)
    root = fixed(**{"class": fixed(gpio=files.folder)})
    return SysTree(root, changes=[(FOLDER, files.changed)], tellers=[(FOLDER, files.told)])
