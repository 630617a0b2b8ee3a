"""Calls of a process tree that wait until they are answered here (seccomp_unotify(2)); nobody is traced.

A filter belongs to a thread and to whatever it starts.  So a thread is kept that has the filter, and starts
the tree.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import os
import select
import struct
import subprocess
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from hil.scripts.linux import kernel

if TYPE_CHECKING:
    from collections.abc import Sequence

# linux/seccomp.h: receive one, answer it, whether it is still there, give it a descriptor.
_RECEIVE, _ANSWER, _IS_THERE, _GIVE = 0xC0502100, 0xC0182101, 0x40082102, 0x40182103
_CALL: Final = struct.Struct("=QIIiIQ6Q")
_MADE_BY_THE_KERNEL: Final = 1
_AT_A_PLACE: Final = 1


@dataclass(frozen=True, slots=True)
class HeldCall:
    """A call of the task *tid*: its *number* among those that are held, and its six arguments."""

    number: int
    tid: int
    arguments: tuple[int, ...]


class HeldCalls:
    """The calls that *code*, a filter, holds; *number* is that of seccomp(2).

    `descriptor` is readable while one waits.  Raises OSError where the kernel does not do this.
    """

    def __init__(self, code: bytes, *, number: int) -> None:
        self._thread = ThreadPoolExecutor(1, thread_name_prefix="held calls")
        try:
            self.descriptor = self._thread.submit(kernel.listen, code, number=number).result()
        except BaseException:
            self._thread.shutdown()
            raise
        self._poll = select.poll()
        self._poll.register(self.descriptor, select.POLLIN)

    def start(self, arguments: Sequence[str], **options: Any) -> subprocess.Popen[bytes]:  # noqa: ANN401 # of Popen
        """Start a process, the calls of which are held; it is to end before `close`."""
        # For a process that is to die with its parent that is the thread, not the process (prctl(2)).
        return self._thread.submit(lambda: subprocess.Popen(arguments, **options)).result()

    def receive(self) -> HeldCall | None:
        """The next one that waits; None where none does, or whoever made it has been killed."""
        if not any(events & select.POLLIN for _, events in self._poll.poll(0)):
            return None
        data = bytearray(_CALL.size)
        try:
            fcntl.ioctl(self.descriptor, _RECEIVE, data)
        except OSError as error:
            if error.errno in (errno.ENOENT, errno.EINTR):
                return None
            raise
        number, tid, _, _, _, _, *arguments = _CALL.unpack(data)
        return HeldCall(number, tid, tuple(arguments))

    def is_there(self, number: int) -> bool:
        """Whether a call still waits: where it does not, its task's number may be another's."""
        with contextlib.suppress(OSError):
            fcntl.ioctl(self.descriptor, _IS_THERE, number.to_bytes(8, "little"))
            return True
        return False

    def give(self, number: int, descriptor: int, *, flags: int, at: int | None = None) -> int:
        """Give the task a duplicate of *descriptor*, perhaps *at* a place; where it is.  *flags*: O_CLOEXEC.

        Raises OSError, with EMFILE where it has no place left.
        """
        data = struct.pack("=QIIII", number, 0 if at is None else _AT_A_PLACE, descriptor, at or 0, flags)
        place: int = fcntl.ioctl(self.descriptor, _GIVE, bytearray(data))
        return place

    def can_give(self) -> bool:
        """Whether this kernel gives descriptors (Linux 5.9)."""
        try:
            self.give(0, 0, flags=0)
        except OSError as error:
            return error.errno == errno.ENOENT  # there is no such call
        return False

    def answer(self, number: int, result: int | None) -> bool:
        """End the call with *result*, negative for an error; None lets the kernel make it.

        False where nobody waits for it any more.
        """
        flags = _MADE_BY_THE_KERNEL if result is None else 0
        value, error = max(result or 0, 0), min(result or 0, 0)
        try:
            fcntl.ioctl(
                self.descriptor, _ANSWER, bytearray(struct.pack("=QqiI", number, value, error, flags))
            )
        except OSError as failure:
            if failure.errno == errno.ENOENT:
                return False
            raise
        return True

    def close(self) -> None:
        """Hold no more; calls that wait fail with ENOSYS, and so do those that still come."""
        if self.descriptor >= 0:
            os.close(self.descriptor)
            self.descriptor = -1
        self._thread.shutdown()
