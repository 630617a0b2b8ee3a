"""Several trees of host files under one mount, each below a name of its own; and the little of `/proc`."""

from __future__ import annotations

import errno
import stat
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement

from .gpio_tree import Entry, fault

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from .header_files import Tree

_SECOND_NS: Final = 1_000_000_000


class HostTrees:
    """*trees* by name."""

    def __init__(self, trees: Mapping[str, Tree]) -> None:
        self.changed: Announcement[tuple[str, ...]] = Announcement()
        self._trees = dict(trees)
        for name, tree in self._trees.items():
            tree.changed.listen(lambda path, name=name: self.changed.announce((name, *path)))  # type: ignore[misc] # a default captures

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

    def read(self, path: tuple[str, ...]) -> bytes:
        """The content of a file."""
        return self._tree(path).read(path[1:])

    def write(self, path: tuple[str, ...], data: bytes) -> int:
        """Write a file."""
        return self._tree(path).write(path[1:], data)

    def _tree(self, path: tuple[str, ...]) -> Tree:
        tree = self._trees.get(path[0])
        if tree is None:
            raise fault(errno.ENOENT)
        return tree


class ProcTree:
    """`uptime`: seconds since *uptime_ns* was 0, twice, for nobody counts how long the host was idle."""

    def __init__(self, uptime_ns: Callable[[], int]) -> None:
        self.changed: Announcement[tuple[str, ...]] = Announcement()
        self._uptime_ns = uptime_ns

    def entry(self, path: tuple[str, ...]) -> Entry:
        """What is at *path*; ENOENT where nothing is."""
        if not path:
            return Entry(stat.S_IFDIR | 0o555)
        self._check(path)
        return Entry(stat.S_IFREG | 0o444)

    def names(self, path: tuple[str, ...]) -> list[str]:
        """The names in the folder *path*."""
        if path:
            self._check(path)
            raise fault(errno.ENOTDIR)
        return ["uptime"]

    def check_open(self, path: tuple[str, ...], *, reading: bool, writing: bool) -> None:
        """Whether a file may be opened so."""
        del reading
        self._check(path)
        if writing:
            raise fault(errno.EACCES)

    def read(self, path: tuple[str, ...]) -> bytes:
        """The content of a file, to hundredths of a second (proc(5))."""
        self._check(path)
        seconds, rest = divmod(self._uptime_ns(), _SECOND_NS)
        shown = f"{seconds}.{rest // (_SECOND_NS // 100):02d}"
        return f"{shown} {shown}\n".encode()

    def write(self, path: tuple[str, ...], data: bytes) -> int:
        """Refused."""
        del data
        self._check(path)
        raise fault(errno.EACCES)

    @staticmethod
    def _check(path: tuple[str, ...]) -> None:
        if path != ("uptime",):
            raise fault(errno.ENOENT)
