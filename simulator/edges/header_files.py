"""A tree of host files served by FUSE: the kernel's semantics and errors at a real mount point.

The mount's own thread answers the kernel; every request is carried out on the serving thread, so that
the model is touched by one thread only.  Nothing is cached: each read asks the model.
"""

from __future__ import annotations

import errno
import os
import select
from typing import TYPE_CHECKING, Any, Final, Protocol

from .calls import CallsClosedError
from .fuse_mount import Mount, Operations, forget_poller, wake_poller

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from simulator.kernel.announcement import Announcement

    from .sysfs import Entry

# What poll(2) always tells of a file of sysfs, and what more once it has been told of (fs/kernfs/file.c).
_ALWAYS: Final = select.POLLIN | select.POLLOUT | select.POLLRDNORM | select.POLLWRNORM
_TOLD: Final = select.POLLERR | select.POLLPRI


class Tree(Protocol):
    """A tree of files, by paths of names; `changed` announces files that read anew by themselves."""

    @property
    def changed(self) -> Announcement[tuple[str, ...]]:
        """The path of a file whose content has changed without a write to it."""

    @property
    def told(self) -> Announcement[tuple[str, ...]]:
        """The path of a file whose pollers are to be woken."""

    def entry(self, path: tuple[str, ...]) -> Entry:
        """What is there; raises OSError."""

    def names(self, path: tuple[str, ...]) -> list[str]:
        """The names in a folder; raises OSError."""

    def check_open(self, path: tuple[str, ...], *, reading: bool, writing: bool) -> None:
        """Whether a file may be opened so; raises OSError."""

    def target(self, path: tuple[str, ...]) -> str:
        """Where a link leads; raises OSError."""

    def events(self, path: tuple[str, ...]) -> int | None:
        """How often pollers of a file have been told; None where they never are; raises OSError."""

    def read(self, path: tuple[str, ...], offset: int = 0) -> bytes:
        """The content of a file from *offset* on; raises OSError."""

    def write(self, path: tuple[str, ...], data: bytes) -> int:
        """Write a file; raises OSError."""


def _split(path: str) -> tuple[str, ...]:
    return tuple(part for part in path.split("/") if part)


class _Opened:
    """One open file whose pollers are told: how often it had been told of when it was last read."""

    def __init__(self) -> None:
        self.seen = 0
        self.pollers: list[int] = []


class _Operations(Operations):
    """What mfusepy calls; each call is carried out by *run*."""

    use_ns = True

    def __init__(
        self, tree: Tree, run: Callable[[Callable[[], Any]], Any], *, on_up: Callable[[], None]
    ) -> None:
        self._tree, self._run, self._on_up = tree, run, on_up
        self._opened: dict[int, _Opened] = {}
        self._paths: dict[int, tuple[str, ...]] = {}
        self._last = 0
        tree.told.listen(self._wake)

    def init(self, path: str) -> None:
        """The mount is there, and libfuse has done to the process what it does."""
        del path
        self._on_up()

    def _ask(self, call: Callable[[], Any]) -> Any:  # noqa: ANN401 # whatever the call returns
        try:
            return self._run(call)
        except CallsClosedError:
            raise OSError(errno.ENODEV, "the model is served no longer") from None

    def getattr(self, path: str, fh: int | None = None) -> dict[str, int]:
        del fh
        entry = self._ask(lambda: self._tree.entry(_split(path)))
        links = 2 if entry.is_folder else 1
        return {
            "st_mode": entry.mode,
            "st_size": entry.size,
            "st_nlink": links,
            "st_uid": os.getuid(),
            "st_gid": os.getgid(),
        }

    def readdir(self, path: str, fh: int) -> list[str]:
        del fh
        return [".", "..", *self._ask(lambda: self._tree.names(_split(path)))]

    def open(self, path: str, flags: int) -> int:
        mode = flags & os.O_ACCMODE
        reading, writing = mode != os.O_WRONLY, mode != os.O_RDONLY
        return int(self._ask(lambda: self._open(_split(path), reading=reading, writing=writing)))

    def _open(self, path: tuple[str, ...], *, reading: bool, writing: bool) -> int:
        self._tree.check_open(path, reading=reading, writing=writing)
        if self._tree.events(path) is None:
            return 0
        self._last += 1
        self._opened[self._last], self._paths[self._last] = _Opened(), path
        return self._last

    def release(self, path: str, fh: int) -> int:
        del path
        if fh:
            self._ask(lambda: self._release(fh))
        return 0

    def _release(self, fh: int) -> None:
        del self._paths[fh]
        for poller in self._opened.pop(fh).pollers:
            forget_poller(poller)

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        content: bytes = self._ask(lambda: self._read(_split(path), offset, fh))
        return content[:size]

    def _read(self, path: tuple[str, ...], offset: int, fh: int) -> bytes:
        if fh:
            self._opened[fh].seen = self._tree.events(path) or 0
        return self._tree.read(path, offset)

    def readlink(self, path: str) -> str:
        target: str = self._ask(lambda: self._tree.target(_split(path)))
        return target

    def poll(self, path: str, fh: int, poller: int | None, ready: Any) -> int:  # noqa: ANN401 # of ctypes
        ready[0] = self._ask(lambda: self._poll(_split(path), fh, poller))
        return 0

    def _poll(self, path: tuple[str, ...], fh: int, poller: int | None) -> int:
        opened = self._opened.get(fh)
        if poller is not None:
            if opened is None:
                forget_poller(poller)
            else:
                opened.pollers.append(poller)
        try:
            is_told = opened is not None and self._tree.events(path) != opened.seen
        except OSError:  # the file is no more
            is_told = True
        return _ALWAYS | _TOLD if is_told else _ALWAYS

    def _wake(self, path: tuple[str, ...]) -> None:
        """Whoever polls *path* is to look again."""
        for fh, opened in self._opened.items():
            if self._paths[fh] == path:
                pollers, opened.pollers = opened.pollers, []
                for poller in pollers:
                    wake_poller(poller)

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        del offset, fh  # sysfs takes each write as a whole, wherever it is said to begin
        return int(self._ask(lambda: self._tree.write(_split(path), data)))

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        del path, length, fh  # a shell's redirection truncates; sysfs shrugs
        return 0

    def access(self, path: str, amode: int) -> int:
        """As for root: all that some side of the file allows, and nothing here can be executed."""
        entry = self._ask(lambda: self._tree.entry(_split(path)))
        if amode & os.X_OK and not entry.is_folder:
            raise OSError(errno.EACCES, "nothing can be executed here")
        return 0

    def create(self, path: str, mode: int) -> int:
        del path, mode
        raise OSError(errno.EACCES, "nothing can be made here")

    def chmod(self, path: str, mode: int) -> int:
        del path, mode
        return 0

    def chown(self, path: str, uid: int, gid: int) -> int:
        del path, uid, gid
        return 0

    def utimens(self, path: str, times: tuple[int, int] | None = None) -> int:
        del path, times
        return 0

    def _refuse(self, *arguments: object) -> int:
        del arguments
        raise OSError(errno.EPERM, "the tree is the kernel's")

    mkdir = mknod = unlink = rmdir = symlink = link = rename = _refuse

    def destroy(self, path: str) -> None:
        del path


class HeaderFiles(Mount):
    """*tree* mounted at *folder* until closed; every request goes through *run*."""

    def __init__(self, tree: Tree, folder: Path, *, run: Callable[[Callable[[], Any]], Any]) -> None:
        self._mount(
            _Operations(tree, run, on_up=self._on_up),
            folder,
            direct_io=True,
            attr_timeout=0,
            entry_timeout=0,
            negative_timeout=0,
            fsname="wakebench",
        )
