"""Folders, files and links as the kernel's sysfs shows them: nodes in, a tree that can be served out.

A folder says what is in it when it is asked, so that the tree is always that of this very moment.  Pure
logic: whatever serves the tree brings its own descriptors.
"""

from __future__ import annotations

import errno
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from simulator.host.refusal import fault
from simulator.kernel.announcement import Announcement

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

Path: TypeAlias = tuple[str, ...]

# Files of sysfs show one page as their size, whatever they hold.
_PAGE: Final = 4096
_READ_ONLY, _READ_WRITE, _WRITE_ONLY = 0o444, 0o644, 0o200


@dataclass(frozen=True, slots=True)
class Entry:
    """What `stat` tells of one path."""

    mode: int
    size: int = 0

    @property
    def is_folder(self) -> bool:
        """Whether it is a folder."""
        return stat.S_ISDIR(self.mode)

    @property
    def is_link(self) -> bool:
        """Whether it is a symbolic link."""
        return stat.S_ISLNK(self.mode)


@dataclass(frozen=True, slots=True, kw_only=True)
class File:
    """One attribute: its text without line end, what a write does, how often its pollers have been told.

    A *binary* one gives its bytes from an offset on instead of text.
    """

    read: Callable[[], str] | None = None
    binary: Callable[[int], bytes] | None = None
    write: Callable[[str], None] | None = None
    events: Callable[[], int] | None = None

    @property
    def is_readable(self) -> bool:
        """Whether it has anything to read."""
        return self.read is not None or self.binary is not None

    @property
    def mode(self) -> int:
        """Its permissions: root's, and everybody may read."""
        if not self.is_readable:
            return _WRITE_ONLY
        return _READ_ONLY if self.write is None else _READ_WRITE


@dataclass(frozen=True, slots=True)
class Link:
    """A symbolic link."""

    target: str


@dataclass(frozen=True, slots=True)
class Folder:
    """A folder: *entries* makes what is in it now."""

    entries: Callable[[], Mapping[str, Node]]


Node: TypeAlias = "File | Link | Folder"


def text(value: str) -> File:
    """A file that always reads *value*."""
    return File(read=lambda: value)


def fixed(**entries: Node) -> Folder:
    """A folder of what never changes."""
    return Folder(lambda: entries)


def folder(entries: Mapping[str, Node]) -> Folder:
    """The same for names that are no identifiers."""
    return Folder(lambda: entries)


class SysTree:
    """The tree below *root*; paths are tuples of names, () is the root.

    `changed` announces a file that reads anew by itself, `told` one whose pollers are to be woken (poll(2),
    POLLPRI).  *changes* and *tellers* are such announcements by the path of the folder that they count from.
    """

    def __init__(
        self,
        root: Folder,
        *,
        changes: Iterable[tuple[Path, Announcement[Path]]] = (),
        tellers: Iterable[tuple[Path, Announcement[Path]]] = (),
    ) -> None:
        self._root = root
        self.changed: Announcement[Path] = Announcement()
        self.told: Announcement[Path] = Announcement()
        for place, source in changes:
            source.listen(lambda path, place=place: self.changed.announce((*place, *path)))  # type: ignore[misc] # a default captures
        for place, source in tellers:
            source.listen(lambda path, place=place: self.told.announce((*place, *path)))  # type: ignore[misc] # as above

    def entry(self, path: Path) -> Entry:
        """What is at *path*; ENOENT where nothing is."""
        node = self._node(path)
        if isinstance(node, Folder):
            return Entry(stat.S_IFDIR | 0o755)
        if isinstance(node, Link):
            return Entry(stat.S_IFLNK | 0o777, len(node.target))
        return Entry(stat.S_IFREG | node.mode, _PAGE)

    def names(self, path: Path) -> list[str]:
        """The names in the folder *path*; ENOENT or ENOTDIR."""
        node = self._node(path)
        if not isinstance(node, Folder):
            raise fault(errno.ENOTDIR)
        return list(node.entries())

    def target(self, path: Path) -> str:
        """Where the link *path* leads; EINVAL for what is none."""
        node = self._node(path)
        if not isinstance(node, Link):
            raise fault(errno.EINVAL)
        return node.target

    def check_open(self, path: Path, *, reading: bool, writing: bool) -> None:
        """Whether the file may be opened so: EACCES where it has no such side, also for root."""
        node = self._node(path)
        if isinstance(node, Folder):
            if writing:
                raise fault(errno.EISDIR)
            return
        if isinstance(node, Link):
            raise fault(errno.ELOOP)
        if (reading and not node.is_readable) or (writing and node.write is None):
            raise fault(errno.EACCES)

    def events(self, path: Path) -> int | None:
        """How often pollers of the file have been told; None where they never are."""
        node = self._node(path)
        return node.events() if isinstance(node, File) and node.events is not None else None

    def read(self, path: Path, offset: int = 0) -> bytes:
        """The content of a file from *offset* on."""
        file = self._file(path)
        if file.binary is not None:
            return file.binary(offset)
        if file.read is None:
            raise fault(errno.EACCES)
        content = file.read()
        return (f"{content}\n" if content else "").encode()[offset:]

    def write(self, path: Path, data: bytes) -> int:
        """Write *data* in one go, as the kernel takes it; how many bytes were taken."""
        write = self._file(path).write
        if write is None:
            raise fault(errno.EACCES)
        if data:  # an empty write never reaches the attribute
            write(data.partition(b"\0")[0].decode("latin-1"))  # a C string ends at its NUL
        return len(data)

    def _file(self, path: Path) -> File:
        node = self._node(path)
        if isinstance(node, Folder):
            raise fault(errno.EISDIR)
        if isinstance(node, Link):
            raise fault(errno.ELOOP)
        return node

    def _node(self, path: Path) -> Node:
        node: Node = self._root
        for name in path:
            if not isinstance(node, Folder):
                raise fault(errno.ENOTDIR)
            found = node.entries().get(name)
            if found is None:
                raise fault(errno.ENOENT)
            node = found
        return node
