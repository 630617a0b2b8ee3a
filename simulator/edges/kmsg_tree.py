"""`/dev/kmsg`: the kernel's messages as a file of records (Documentation/ABI/testing/dev-kmsg).

Each read gives one record, beginning at the reader's place in the whole; at the end there is nothing for now
(EAGAIN), also for a reader who would rather wait.  What a program writes is a message of its own.
"""

from __future__ import annotations

import errno
import stat
from typing import TYPE_CHECKING

from simulator.host.refusal import fault
from simulator.kernel.announcement import Announcement

from .sysfs import Entry

if TYPE_CHECKING:
    from simulator.host.kernel_log import KernelLog

    from .sysfs import Path

NAME = "kmsg"


class KmsgTree:
    """One file, `kmsg`, of *log*; empty without one."""

    def __init__(self, log: KernelLog | None = None) -> None:
        self.changed: Announcement[Path] = Announcement()
        self.told: Announcement[Path] = Announcement()
        self._log = log

    def entry(self, path: Path) -> Entry:
        """The folder or the file; ENOENT for anything else."""
        if not path:
            return Entry(stat.S_IFDIR | 0o755)
        self._check(path)
        return Entry(stat.S_IFREG | 0o644, 0 if self._log is None else self._log.size)

    def names(self, path: Path) -> list[str]:
        """The one name."""
        if path:
            self._check(path)
            raise fault(errno.ENOTDIR)
        return [NAME]

    def check_open(self, path: Path, *, reading: bool, writing: bool) -> None:
        """It can be opened both ways."""
        del reading, writing
        if path:
            self._check(path)

    def target(self, path: Path) -> str:
        """There are no links."""
        self._check(path)
        raise fault(errno.EINVAL)

    def events(self, path: Path) -> int | None:
        """Nobody is told."""
        self._check(path)
        return None  # as the protocol has it

    def read(self, path: Path, offset: int = 0) -> bytes:
        """The record at *offset*."""
        self._check(path)
        if self._log is None:
            raise fault(errno.EAGAIN)
        return self._log.record_at(offset)

    def write(self, path: Path, data: bytes) -> int:
        """A program's message."""
        self._check(path)
        if self._log is not None:
            self._log.write(data.decode("utf-8", "replace"))
        return len(data)

    @staticmethod
    def _check(path: Path) -> None:
        if path != (NAME,):
            raise fault(errno.ENOENT)
