"""A process of its own for runs, and one that clears up behind it.

Runs mount file systems and make folders.  The process that makes them has a mount namespace of its own, so
that its mounts go with it however it ends, and the folders too, which are in memory: who waits for it removes
the one that holds them.  An ordinary user becomes user 0 of a namespace for that, which is what mounting
needs (user_namespaces(7)); outside nothing changes.
"""

from __future__ import annotations

import contextlib
import ctypes
import os
import shutil
import signal
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from types import FrameType

# linux/sched.h, sys/mount.h, linux/prctl.h.
_CLONE_NEWNS, _CLONE_NEWUSER = 0x00020000, 0x10000000
_MS_REC, _MS_PRIVATE = 0x4000, 0x40000
_MNT_DETACH: Final = 2
_PR_SET_PDEATHSIG: Final = 1
_PASSED_ON: Final = (signal.SIGINT, signal.SIGTERM, signal.SIGHUP)
_SIGNALLED: Final = 128


def stand_apart(*, without_sys: bool = False) -> None:
    """Return in a child of this process that is apart; this one ends when the child does, with its status.

    To be called while there is one thread.  The child is *without_sys* where it needs no `/sys`: the sandbox
    has another, and bubblewrap reads the table of mounts for each of its own; half of a usual one is there.
    """
    sys.stdout.flush()
    sys.stderr.flush()
    folder = tempfile.mkdtemp(prefix="wakebench-")
    child = os.fork()
    if child == 0:
        # What a terminal sends comes to the other process alone, which passes it on: once.
        os.setpgid(0, 0)
        ctypes.CDLL(None).prctl(_PR_SET_PDEATHSIG, int(signal.SIGTERM), 0, 0, 0)
        _enter_namespaces(folder, without_sys=without_sys)
        tempfile.tempdir = folder
        return
    status = _wait_for(child)
    shutil.rmtree(folder, ignore_errors=True)
    sys.stdout.flush()
    os._exit(os.WEXITSTATUS(status) if os.WIFEXITED(status) else _SIGNALLED + os.WTERMSIG(status))


def _wait_for(child: int) -> int:
    """The child's status; what should end this process ends the child."""

    def pass_on(number: int, frame: FrameType | None) -> None:
        del frame
        with contextlib.suppress(ProcessLookupError):
            os.kill(child, number)

    for number in _PASSED_ON:
        if signal.getsignal(number) is not signal.SIG_IGN:
            signal.signal(number, pass_on)
    return os.waitpid(child, 0)[1]


def _enter_namespaces(folder: str, *, without_sys: bool) -> None:
    """A mount namespace, and a user namespace where only that allows one; neither where none may be had.

    What is in *folder* is kept in memory there: places are made and taken away again and again, which takes
    ten times longer on a disk.
    """
    libc = ctypes.CDLL(None)
    user, group = os.getuid(), os.getgid()
    if libc.unshare(_CLONE_NEWNS) != 0:
        if libc.unshare(_CLONE_NEWUSER | _CLONE_NEWNS) != 0:
            return
        Path("/proc/self/setgroups").write_text("deny", encoding="ascii")
        Path("/proc/self/uid_map").write_text(f"0 {user} 1", encoding="ascii")
        Path("/proc/self/gid_map").write_text(f"0 {group} 1", encoding="ascii")
    libc.mount(b"none", b"/", None, _MS_REC | _MS_PRIVATE, None)
    if without_sys:
        libc.umount2(b"/sys", _MNT_DETACH)
    libc.mount(b"wakebench", os.fsencode(folder), b"tmpfs", 0, b"mode=0700")
