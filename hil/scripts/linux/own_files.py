"""Files of our own, kept open for each task of a script: hundreds of tasks have thousands.

select(2) takes no descriptor from 1024 on, so those that are kept for tasks leave the low numbers to others.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import resource
from typing import TYPE_CHECKING

from hil.errors import BenchUnfitError

if TYPE_CHECKING:
    from collections.abc import Iterator

_CROWDED_FROM, _HIGH_FROM = 512, 1024


@contextlib.contextmanager
def many_files() -> Iterator[None]:
    """Meanwhile this process may have as many files open as the machine allows."""
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    resource.setrlimit(resource.RLIMIT_NOFILE, (hard, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))


def open_for_task(path: str, flags: int) -> int:
    """Open *path*; raises OSError, and BenchUnfitError where there are no descriptors left."""
    try:
        file = os.open(path, flags | os.O_CLOEXEC)
        if file < _CROWDED_FROM:
            return file
        try:
            return fcntl.fcntl(file, fcntl.F_DUPFD_CLOEXEC, _HIGH_FROM)
        finally:
            os.close(file)
    except OSError as error:
        # EINVAL: the limit is below the number that was asked for.
        if error.errno in (errno.EMFILE, errno.ENFILE, errno.EINVAL):
            raise BenchUnfitError(
                part="virtual time",
                reason="the script has more tasks than this machine lets us have files open",
                cure="raise the hard limit (ulimit -Hn), or run fewer programs at once",
            ) from error
        raise
