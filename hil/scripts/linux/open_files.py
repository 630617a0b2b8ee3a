"""What the descriptors of a tree are: terminals, devices, sockets.

The law here: nothing is asked of a file that this very process serves (header files, scratch files).  It
would wait for itself, and nobody could end that wait.  So the name comes first, which the kernel tells by
itself.
"""

from __future__ import annotations

import os
import stat
from typing import TYPE_CHECKING, Final, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .caller import Caller, Memory

# What is not a plain file is below these, in a sandbox; some devices are files of ours.
_ASKED: Final = ("/dev/", "socket:")
_OURS: Final = ("/dev/kmsg", "/dev/random", "/dev/urandom")


# The file system of a terminal or socket and its number there: each instance of devpts counts from 0.
Device: TypeAlias = tuple[int, int]


def file_behind(task: Caller, descriptor: int) -> os.stat_result | None:
    """A device or a socket; None where the descriptor is something else, or none."""
    return _status(f"/proc/{task.tid}/fd/{descriptor}")


def files_of(process: Memory) -> Iterator[tuple[int, os.stat_result]]:
    """All devices and sockets that a process holds, by descriptor."""
    folder = f"/proc/{process.pid}/fd"
    try:
        names = os.listdir(folder)
    except OSError:
        return
    for name in names:
        status = _status(f"{folder}/{name}")
        if status is not None:
            yield int(name), status


def _status(path: str) -> os.stat_result | None:
    try:
        target = os.readlink(path)
        if not target.startswith(_ASKED) or target in _OURS:
            return None
        return os.stat(path)
    except OSError:
        return None


def terminal(status: os.stat_result | None) -> Device | None:
    """The number of a character device; None for anything else."""
    return (status.st_dev, status.st_rdev) if status is not None and stat.S_ISCHR(status.st_mode) else None


def socket(status: os.stat_result | None) -> Device | None:
    """The number of a socket; None for anything else."""
    return (status.st_dev, status.st_ino) if status is not None and stat.S_ISSOCK(status.st_mode) else None
