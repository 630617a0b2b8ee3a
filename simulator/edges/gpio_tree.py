"""The host's GPIO lines as files below `class/gpio`, with the semantics and errors of the Linux kernel.

Paths, reads and writes in; contents and OSError with the kernel's errno out.  Pure logic: whatever
serves the tree (FUSE, a plain folder) brings its own descriptors.  After drivers/gpio/gpiolib-sysfs.c,
from memory: nothing was compared with a kernel that has real lines.
"""

from __future__ import annotations

import errno
import re
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.board.host import HostLine, HostLines

FOLDER: Final = ("class", "gpio")
EDGES: Final = ("none", "rising", "falling", "both")

_READ_ONLY: Final = 0o444
_READ_WRITE: Final = 0o644
_WRITE_ONLY: Final = 0o200
# Files of sysfs show one page as their size, whatever they hold.
_PAGE: Final = 4096
_BY: Final = "script"
_NUMBER: Final = re.compile(r"([+-]?)(0[xX][0-9a-fA-F]+|0[0-7]*|[1-9][0-9]*)\n?")


def fault(number: int) -> OSError:
    """The error as the kernel returns it."""
    return OSError(number, errno.errorcode[number])


@dataclass(frozen=True, slots=True)
class Entry:
    """What `stat` tells of one path."""

    mode: int
    size: int = 0

    @property
    def is_folder(self) -> bool:
        """Whether it is a folder."""
        return stat.S_ISDIR(self.mode)


@dataclass(slots=True, kw_only=True)
class _Exported:
    """One line that has been exported."""

    line: HostLine
    active_low: bool = False
    edge: str = "none"


@dataclass(frozen=True, slots=True, kw_only=True)
class _File:
    mode: int
    read: Callable[[], str] | None = None
    write: Callable[[str], None] | None = None


def _number(text: str) -> int:
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


class GpioTree:
    """`class/gpio` of one chip; paths are tuples below the tree's root, such as `("class", "gpio")`.

    `changed` announces the `value` file of an exported line whose level has changed by itself.
    """

    def __init__(self, lines: HostLines) -> None:
        self.changed: Announcement[tuple[str, ...]] = Announcement()
        self._lines = lines
        self._exported: dict[int, _Exported] = {}
        lines.changed.listen(self._on_level)

    # -- what is there ------------------------------------------------------

    def entry(self, path: tuple[str, ...]) -> Entry:
        """What is at *path*; ENOENT where nothing is."""
        if self._names(path) is not None:
            return Entry(stat.S_IFDIR | 0o755)
        return Entry(stat.S_IFREG | self._file(path).mode, _PAGE)

    def names(self, path: tuple[str, ...]) -> list[str]:
        """The names in the folder *path*; ENOENT or ENOTDIR."""
        names = self._names(path)
        if names is None:
            self._file(path)
            raise fault(errno.ENOTDIR)
        return names

    def check_open(self, path: tuple[str, ...], *, reading: bool, writing: bool) -> None:
        """Whether the file may be opened so: EACCES where it has no such side, also for root."""
        if self._names(path) is not None:
            if writing:
                raise fault(errno.EISDIR)
            return
        file = self._file(path)
        if (reading and file.read is None) or (writing and file.write is None):
            raise fault(errno.EACCES)

    def read(self, path: tuple[str, ...]) -> bytes:
        """The whole content of a file."""
        file = self._file(path)
        if file.read is None:
            raise fault(errno.EACCES)
        return f"{file.read()}\n".encode()

    def write(self, path: tuple[str, ...], data: bytes) -> int:
        """Write *data* in one go, as the kernel takes it; how many bytes were taken."""
        file = self._file(path)
        if file.write is None:
            raise fault(errno.EACCES)
        if data:  # an empty write never reaches the attribute
            file.write(data.partition(b"\0")[0].decode("latin-1"))  # a C string ends at its NUL
        return len(data)

    def _names(self, path: tuple[str, ...]) -> list[str] | None:
        match path:
            case ():
                return ["class"]
            case ("class",):
                return ["gpio"]
            case ("class", "gpio"):
                lines = [f"gpio{number}" for number in sorted(self._exported)]
                return ["export", "unexport", f"gpiochip{self._lines.base}", *lines]
            case ("class", "gpio", folder):
                files = self._files_in(folder)
                return None if files is None else list(files)
        return None

    def _file(self, path: tuple[str, ...]) -> _File:
        file: _File | None = None
        match path:
            case ("class", "gpio", "export"):
                file = _File(mode=_WRITE_ONLY, write=self._export)
            case ("class", "gpio", "unexport"):
                file = _File(mode=_WRITE_ONLY, write=self._unexport)
            case ("class", "gpio", "export" | "unexport", _, *_):
                raise fault(errno.ENOTDIR)
            case ("class", "gpio", folder, name):
                file = (self._files_in(folder) or {}).get(name)
        if file is None:
            raise fault(errno.ENOENT)
        return file

    def _files_in(self, folder: str) -> dict[str, _File] | None:
        lines = self._lines
        if folder == f"gpiochip{lines.base}":
            return {
                "base": _File(mode=_READ_ONLY, read=lambda: str(lines.base)),
                "label": _File(mode=_READ_ONLY, read=lambda: lines.label),
                "ngpio": _File(mode=_READ_ONLY, read=lambda: str(lines.count)),
            }
        number = folder.removeprefix("gpio")
        exported = self._exported.get(int(number)) if number.isdigit() else None
        if exported is None or folder != f"gpio{int(number)}":
            return None
        return {
            "active_low": _File(
                mode=_READ_WRITE,
                read=lambda: str(int(exported.active_low)),
                write=lambda text: self._set_active_low(exported, text),
            ),
            "direction": _File(
                mode=_READ_WRITE,
                read=lambda: exported.line.direction,
                write=lambda text: self._set_direction(exported, text),
            ),
            "edge": _File(
                mode=_READ_WRITE,
                read=lambda: exported.edge,
                write=lambda text: self._set_edge(exported, text),
            ),
            "value": _File(
                mode=_READ_WRITE,
                read=lambda: str(int(self._value(exported))),
                write=lambda text: self._set_value(exported, text),
            ),
        }

    # -- what files do ------------------------------------------------------

    def _export(self, text: str) -> None:
        number = _number(text)
        line = self._line(number)
        if number in self._exported:
            raise fault(errno.EBUSY)
        self._exported[number] = _Exported(line=line)

    def _unexport(self, text: str) -> None:
        number = _number(text)
        self._line(number)
        exported = self._exported.pop(number, None)
        if exported is None:
            raise fault(errno.EINVAL)
        exported.line.release(by=_BY)

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

    def _value(self, exported: _Exported) -> bool:
        level = exported.line.read() if exported.line.direction == "in" else exported.line.output
        return level is not exported.active_low

    def _set_value(self, exported: _Exported, text: str) -> None:
        if exported.line.direction == "in":
            raise fault(errno.EPERM)
        level = bool(_number(text)) is not exported.active_low
        exported.line.drive(level, by=_BY)

    def _set_active_low(self, exported: _Exported, text: str) -> None:
        exported.active_low = bool(_number(text))

    def _set_edge(self, exported: _Exported, text: str) -> None:
        edge = text.removesuffix("\n")
        if edge not in EDGES:
            raise fault(errno.EINVAL)
        if edge != "none" and exported.line.direction == "out":
            raise fault(errno.EIO)  # an output cannot be an interrupt
        exported.edge = edge

    def _on_level(self, line: HostLine) -> None:
        number = self._lines.base + line.offset
        if number in self._exported:
            self.changed.announce((*FOLDER, f"gpio{number}", "value"))
