"""A tree of host files served by FUSE: the kernel's semantics and errors at a real mount point.

A thread of its own answers the kernel; every request is carried out on the serving thread, so that
the model is touched by one thread only.  Nothing is cached: each read asks the model.
"""

from __future__ import annotations

import ctypes
import errno
import os
import shutil
import subprocess
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, Protocol

from .calls import CallsClosedError

if TYPE_CHECKING:
    from collections.abc import Callable

    from .gpio_tree import Entry

# How long the mount may take to come or go, in wall seconds.
_MOUNT_S: Final = 10.0
_STEP_S: Final = 0.005
# linux/sched.h; `os.unshare` comes with Python 3.12.
_CLONE_FS: Final = 0x200


class Tree(Protocol):
    """A tree of files, by paths of names."""

    def entry(self, path: tuple[str, ...]) -> Entry:
        """What is there; raises OSError."""

    def names(self, path: tuple[str, ...]) -> list[str]:
        """The names in a folder; raises OSError."""

    def check_open(self, path: tuple[str, ...], *, reading: bool, writing: bool) -> None:
        """Whether a file may be opened so; raises OSError."""

    def read(self, path: tuple[str, ...]) -> bytes:
        """The content of a file; raises OSError."""

    def write(self, path: tuple[str, ...], data: bytes) -> int:
        """Write a file; raises OSError."""


class NoFuseError(RuntimeError):
    """FUSE cannot be used here: what is missing and what would mend it."""


def missing_for_fuse() -> str | None:
    """What this machine lacks for FUSE, with the cure; None where all is there."""
    if not Path("/dev/fuse").exists():
        return "there is no /dev/fuse: load the kernel module fuse, or allow the device in the container"
    if shutil.which("fusermount3") is None:
        return "there is no fusermount3: install the package fuse3"
    try:
        import mfusepy  # noqa: F401 # loads libfuse
    except (ImportError, OSError) as error:
        return f"libfuse cannot be loaded ({error}): install the package fuse3"
    return None


def _split(path: str) -> tuple[str, ...]:
    return tuple(part for part in path.split("/") if part)


class _Operations:
    """What mfusepy calls; each call is carried out by *run*."""

    use_ns = True

    def __init__(self, tree: Tree, run: Callable[[Callable[[], Any]], Any]) -> None:
        self._tree, self._run = tree, run

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
        self._ask(lambda: self._tree.check_open(_split(path), reading=reading, writing=writing))
        return 0

    def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
        del fh
        content: bytes = self._ask(lambda: self._tree.read(_split(path)))
        return content[offset : offset + size]

    def write(self, path: str, data: bytes, offset: int, fh: int) -> int:
        del offset, fh  # sysfs takes each write as a whole, wherever it is said to begin
        return int(self._ask(lambda: self._tree.write(_split(path), data)))

    def truncate(self, path: str, length: int, fh: int | None = None) -> int:
        del path, length, fh  # a shell's redirection truncates; sysfs shrugs
        return 0

    def create(self, path: str, mode: int) -> int:
        del path, mode
        raise OSError(errno.EACCES, "nothing can be made here")

    def mkdir(self, path: str, mode: int) -> int:
        del path, mode
        raise OSError(errno.EPERM, "nothing can be made here")

    def unlink(self, path: str) -> int:
        del path
        raise OSError(errno.EPERM, "nothing can be removed here")

    def rmdir(self, path: str) -> int:
        del path
        raise OSError(errno.EPERM, "nothing can be removed here")

    def chmod(self, path: str, mode: int) -> int:
        del path, mode
        return 0

    def chown(self, path: str, uid: int, gid: int) -> int:
        del path, uid, gid
        return 0

    def destroy(self, path: str) -> None:
        del path


class HeaderFiles:
    """*tree* mounted at *folder* until closed; every request goes through *run*.

    Raises NoFuseError where FUSE cannot be used; the folder is empty then.
    """

    def __init__(self, tree: Tree, folder: Path, *, run: Callable[[Callable[[], Any]], Any]) -> None:
        missing = missing_for_fuse()
        if missing is not None:
            raise NoFuseError(missing)
        self.folder = folder
        folder.mkdir(parents=True, exist_ok=True)
        self._failure: list[str] = []
        self._thread = threading.Thread(
            target=self._serve, args=(_Operations(tree, run),), name="header files", daemon=True
        )
        self._thread.start()
        self._wait_mounted()

    def _serve(self, operations: _Operations) -> None:
        import mfusepy

        # libfuse changes the working folder to /; a thread that shares it no longer does so for itself alone.
        if ctypes.CDLL(None, use_errno=True).unshare(_CLONE_FS) != 0:
            self._failure.append(f"unshare failed ({os.strerror(ctypes.get_errno())})")
            return
        try:
            mfusepy.FUSE(
                operations,
                str(self.folder),
                foreground=True,
                nothreads=True,
                direct_io=True,
                attr_timeout=0,
                entry_timeout=0,
                negative_timeout=0,
                fsname="wakebench",
            )
        except (RuntimeError, OSError) as error:
            self._failure.append(f"the mount at {self.folder} failed ({error}): may this user mount FUSE?")

    def _wait_mounted(self) -> None:
        deadline = time.monotonic() + _MOUNT_S
        while not _is_mounted(self.folder):
            if not self._thread.is_alive() or time.monotonic() > deadline:
                raise NoFuseError(
                    self._failure[0] if self._failure else f"no mount appeared at {self.folder}"
                )
            time.sleep(_STEP_S)

    def close(self) -> None:
        """Unmount; harmless when called again.  Requests under way end with an error."""
        if self._thread.is_alive():
            subprocess.run(
                ["fusermount3", "-u", "-z", str(self.folder)],  # noqa: S607 # wherever the system has it
                check=False,
                capture_output=True,
            )
            self._thread.join(_MOUNT_S)


def _is_mounted(folder: Path) -> bool:
    """Asks the table of mounts, not the mount itself: that would wait for this very thread."""
    wanted = str(folder.absolute())
    with Path("/proc/self/mountinfo").open(encoding="utf-8", errors="surrogateescape") as mounts:
        return any(
            line.split(" ")[4].replace("\\040", " ") == wanted and " - fuse" in line for line in mounts
        )
