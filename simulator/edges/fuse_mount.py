"""Something served by FUSE mounted at a folder, and the thread that serves it; knows not what is served.

The law here: while it is served no thread of this process touches the mount, nor does a child before its
exec (so never start one with its working folder in there).  It would wait for this very process, and as the
kernel lets nobody interrupt such a wait, not even SIGKILL would end it.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import shutil
import signal
import subprocess
import threading
from pathlib import Path
from typing import Final

# How long the mount may take to come or go, in wall seconds.
_MOUNT_S: Final = 10.0
# And a thread that has been asked to end.
_END_S: Final = 2.0
# linux/sched.h; `os.unshare` comes with Python 3.12.
_CLONE_FS: Final = 0x200
# The signals that libfuse claims where nobody has (fuse_set_signal_handlers).
_CLAIMED: Final = (signal.SIGHUP, signal.SIGINT, signal.SIGTERM, signal.SIGPIPE)
# sys/mount.h.
_MNT_DETACH: Final = 2
# The device's number (admin-guide/devices.rst).
_FUSE: Final = os.makedev(10, 229)
# More than any C library's `struct sigaction`.
_SIGACTION_BYTES: Final = 512


class NoFuseError(RuntimeError):
    """FUSE cannot be used here: what is missing and what would mend it."""


class FolderInUseError(RuntimeError):
    """The folder for the tree is not free."""

    def __init__(self, folder: Path, why: str) -> None:
        self.folder, self.why = folder, why
        super().__init__(f"{folder}: {why}; expected a free folder")


def missing_for_fuse() -> str | None:
    """What this machine lacks for FUSE, with the cure; None where all is there."""
    if not Path("/dev/fuse").exists():
        return "there is no /dev/fuse: load the kernel module fuse, or allow the device in the container"
    if not os.access("/dev/fuse", os.R_OK | os.W_OK):
        return "this user may not open /dev/fuse: give it the usual mode (chmod 666 /dev/fuse, as root)"
    if shutil.which("fusermount3") is None:
        return "there is no fusermount3: install the package fuse3"
    try:
        import mfusepy  # noqa: F401 # loads libfuse
    except (ImportError, OSError) as error:
        return f"libfuse cannot be loaded ({error}): install the package fuse3"
    return None


def free_place(folder: Path) -> Path:
    """The real path of *folder*, as the table of mounts knows it; raises FolderInUseError if it is mounted.

    The table is asked, never the mount: its server may be this very thread, or gone.
    """
    folder = folder.parent.resolve() / folder.name
    _refuse_mounted(folder)
    if folder.is_symlink():
        folder = folder.resolve()
        _refuse_mounted(folder)
    return folder


def _refuse_mounted(folder: Path) -> None:
    wanted = os.fsencode(folder)
    for line in Path("/proc/self/mountinfo").read_bytes().splitlines():
        if _unescaped(line.split(b" ")[4]) == wanted:
            raise FolderInUseError(
                folder,
                "something is mounted there already, perhaps by another server of this folder "
                f"(fusermount3 -u -z {folder} takes a forgotten mount away)",
            )


def unmount(place: Path) -> None:
    """Take away what is mounted there: whoever may mount may unmount; others have a program for it."""
    if ctypes.CDLL(None).umount2(os.fsencode(place), _MNT_DETACH) != 0:
        subprocess.run(
            ["fusermount3", "-u", "-z", str(place)],  # noqa: S607 # wherever the system has it
            check=False,
            capture_output=True,
        )


def _unescaped(path: bytes) -> bytes:
    """A path of the table of mounts, where space, tab, line feed and backslash are octal."""
    for code in (b"040", b"011", b"012", b"134"):
        path = path.replace(b"\\" + code, bytes([int(code, 8)]))
    return path


class _SignalHandlers:
    """The handlers of the signals that libfuse would claim, as they are now, to be put back."""

    def __init__(self) -> None:
        self._libc = ctypes.CDLL(None)
        self._kept = {number: ctypes.create_string_buffer(_SIGACTION_BYTES) for number in _CLAIMED}
        for number, kept in self._kept.items():
            self._libc.sigaction(int(number), None, kept)

    def put_back(self) -> None:
        for number, kept in self._kept.items():
            self._libc.sigaction(int(number), kept, None)


def _fuse_descriptors() -> set[int]:
    """This process's connections to the kernel's FUSE."""
    found = set()
    for name in os.listdir("/proc/self/fd"):  # noqa: PTH208 # numbers are wanted
        try:
            if os.fstat(int(name)).st_rdev == _FUSE:
                found.add(int(name))
        except OSError:
            continue
    return found


# libfuse knows one session's signal handlers and complains of every other's.
_NO_CONCERN: Final = b"fuse: fuse_remove_signal_handlers"
_LOGGER: Final = ctypes.CFUNCTYPE(None, ctypes.c_int, ctypes.c_char_p, ctypes.c_void_p)


def _log(level: int, text: bytes, values: int) -> None:
    """What libfuse says, on standard error."""
    del level
    if not text.startswith(_NO_CONCERN):
        ctypes.CDLL(None).vdprintf(2, text, ctypes.c_void_p(values))


_LOG: Final = _LOGGER(_log)  # libfuse keeps its address


def wake_poller(poller: int) -> None:
    """Whoever waits in poll(2) with this handle asks again; the handle is used up."""
    import mfusepy

    mfusepy._libfuse.fuse_notify_poll(ctypes.c_void_p(poller))  # noqa: SLF001 # the library does not offer it
    forget_poller(poller)


def forget_poller(poller: int) -> None:
    """Nobody is woken with this handle any more."""
    import mfusepy

    mfusepy._libfuse.fuse_pollhandle_destroy(ctypes.c_void_p(poller))  # noqa: SLF001 # as above


def take_no_signals() -> None:
    """For a thread that serves files: each signal would wake it, and be kept from whoever waits for it."""
    signal.pthread_sigmask(signal.SIG_BLOCK, signal.valid_signals())


class Operations:
    """What the operations of every mount share: the way to its end.

    Asked for the file system's size while `is_ending`, the thread that serves the mount goes on no longer.
    Without that it would stay for as long as anybody else's mount namespace has a copy of the mount.
    """

    is_ending = False

    def statfs(self, path: str) -> dict[str, int]:
        del path
        if self.is_ending:
            import mfusepy

            mfusepy.fuse_exit()
        return {"f_bsize": 512, "f_namemax": 255}


class Mount:
    """Something mounted at a folder until closed, and the thread that serves it.

    `servant` is the thread that answers the kernel, and the descriptor on which it waits for requests.
    Signals stay with whoever has them.
    """

    folder: Path

    def _mount(self, operations: Operations, folder: Path, **options: object) -> None:
        """Mount *operations* at *folder*.

        Raises NoFuseError where FUSE cannot be used (the folder is empty then), and FolderInUseError where
        something is mounted there already.
        """
        missing = missing_for_fuse()
        if missing is not None:
            raise NoFuseError(missing)
        self.folder = folder = free_place(folder)
        folder.mkdir(parents=True, exist_ok=True)
        self._failure = f"no mount appeared at {folder} within {_MOUNT_S:g} s"
        self._is_up = threading.Event()
        self._is_settled = threading.Event()
        self._signal_handlers = _SignalHandlers()
        self._others = _fuse_descriptors()
        self._operations = operations
        self.servant: tuple[int, int] | None = None
        self._thread = threading.Thread(
            target=self._serve, args=(operations, options), name=f"files at {folder.name}", daemon=True
        )
        self._thread.start()
        self._is_settled.wait(_MOUNT_S)
        if not self._is_up.is_set():
            self.close()
            raise NoFuseError(self._failure)

    def _on_up(self) -> None:
        own = _fuse_descriptors() - self._others
        if own:
            self.servant = threading.get_native_id(), min(own)
        self._signal_handlers.put_back()
        self._is_up.set()
        self._is_settled.set()

    def _serve(self, operations: object, options: dict[str, object]) -> None:
        take_no_signals()
        import mfusepy

        mfusepy._libfuse.fuse_set_log_func(_LOG)  # noqa: SLF001 # the library does not offer it
        try:
            # libfuse changes the working folder to /; a thread that shares it no longer does so for itself.
            if ctypes.CDLL(None, use_errno=True).unshare(_CLONE_FS) != 0:
                self._failure = f"unshare failed ({os.strerror(ctypes.get_errno())})"
                return
            mfusepy.FUSE(
                operations,
                str(self.folder),
                foreground=True,
                nothreads=True,
                **options,
            )
        except (RuntimeError, OSError) as error:
            self._failure = f"the mount at {self.folder} failed ({error}): may this user mount FUSE?"
        finally:
            self._is_settled.set()

    def close(self) -> None:
        """Unmount; harmless when called again.  Requests under way end with an error."""
        if self._is_up.is_set() and self._thread.is_alive():
            self._operations.is_ending = True
            # The one time that this process touches the mount: the thread answers, ends, and unmounts.
            with contextlib.suppress(OSError):
                os.statvfs(self.folder)
            self._thread.join(_END_S)
        if self._thread.is_alive():
            unmount(self.folder)
            self._thread.join(_MOUNT_S)
