"""x86-64: registers as ptrace shows them, and the numbers of the calls (asm/unistd_64.h)."""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Final

from . import x86_64_clock
from .kernel import GETREGS, SETREGS, ptrace

if TYPE_CHECKING:
    from collections.abc import Sequence

AUDIT_ARCH: Final = 0xC000003E
SECCOMP: Final = 317
# What stands in for the functions of the vDSO.
CLOCK: Final = x86_64_clock

# A call that waits for ever: what sleeps become.
PAUSE: Final = ("pause", ())

NUMBERS: Final = {
    "read": 0,
    "write": 1,
    "close": 3,
    "poll": 7,
    "mmap": 9,
    "ioctl": 16,
    "readv": 19,
    "writev": 20,
    "select": 23,
    "pause": 34,
    "nanosleep": 35,
    "getitimer": 36,
    "alarm": 37,
    "setitimer": 38,
    "socket": 41,
    "connect": 42,
    "accept": 43,
    "sendto": 44,
    "recvfrom": 45,
    "sendmsg": 46,
    "recvmsg": 47,
    "setsockopt": 54,
    "getsockopt": 55,
    "gettimeofday": 96,
    "sysinfo": 99,
    "times": 100,
    "syslog": 103,
    "rt_sigtimedwait": 128,
    "rt_sigqueueinfo": 129,
    "adjtimex": 159,
    "settimeofday": 164,
    "time": 201,
    "futex": 202,
    "io_getevents": 208,
    "semtimedop": 220,
    "timer_create": 222,
    "timer_settime": 223,
    "timer_gettime": 224,
    "timer_getoverrun": 225,
    "timer_delete": 226,
    "clock_settime": 227,
    "clock_gettime": 228,
    "clock_nanosleep": 230,
    "epoll_wait": 232,
    "mq_timedsend": 242,
    "mq_timedreceive": 243,
    "pselect6": 270,
    "ppoll": 271,
    "epoll_pwait": 281,
    "timerfd_settime": 286,
    "timerfd_gettime": 287,
    "accept4": 288,
    "dup3": 292,
    "rt_tgsigqueueinfo": 297,
    "recvmmsg": 299,
    "clock_adjtime": 305,
    "sendmmsg": 307,
    "getrandom": 318,
    "io_pgetevents": 333,
    "io_uring_setup": 425,
    "epoll_pwait2": 441,
    "futex_waitv": 449,
}

_RDI, _RSI, _RDX, _R10, _R8, _R9 = 14, 13, 12, 7, 9, 8
_ARGUMENTS: Final = (_RDI, _RSI, _RDX, _R10, _R8, _R9)
_RAX, _ORIG_RAX, _RIP, _CS, _RSP = 10, 15, 16, 17, 19
_MASK: Final = (1 << 64) - 1
_CODE_SEGMENT_32: Final = 0x23
# The length of the instruction `syscall`.
_CALL_BYTES: Final = 2


class Registers:
    """The registers of one stopped task, their `holder`; `load` and `store` move them."""

    def __init__(self) -> None:
        self.holder = 0
        self._all = (ctypes.c_ulong * 27)()
        self._address = ctypes.addressof(self._all)

    def load(self, tid: int) -> None:
        """Read the task's."""
        ptrace(GETREGS, tid, 0, self._address)
        self.holder = tid

    def store(self, tid: int) -> None:
        """Write them back."""
        ptrace(SETREGS, tid, 0, self._address)

    @property
    def number(self) -> int:
        """The call's number; -1 skips it."""
        return _signed(self._all[_ORIG_RAX])

    @number.setter
    def number(self, value: int) -> None:
        self._all[_ORIG_RAX] = value & _MASK

    @property
    def result(self) -> int:
        """The call's result, negative for an error."""
        return _signed(self._all[_RAX])

    @result.setter
    def result(self, value: int) -> None:
        self._all[_RAX] = value & _MASK

    @property
    def arguments(self) -> tuple[int, ...]:
        """Six, unsigned."""
        words = self._all
        return words[_RDI], words[_RSI], words[_RDX], words[_R10], words[_R8], words[_R9]

    def set_argument(self, number: int, value: int) -> None:
        """Change one of them."""
        self._all[_ARGUMENTS[number]] = value & _MASK

    @property
    def instruction(self) -> int:
        """Where the task is."""
        return self._all[_RIP]

    def save(self) -> bytes:
        """All of them, to be put back."""
        return bytes(self._all)

    def put_back(self, saved: bytes) -> None:
        """As they were."""
        self.holder = 0
        ctypes.memmove(self._all, saved, len(saved))

    def call_again(self, number: int, arguments: Sequence[int]) -> None:
        """The task, which has just made a call, makes another one from the same place."""
        self._all[_RIP] -= _CALL_BYTES
        self._all[_RAX], self._all[_ORIG_RAX] = number, _MASK
        for place, value in enumerate(arguments):
            self.set_argument(place, value)

    @property
    def stack(self) -> int:
        """The top of its stack."""
        return self._all[_RSP]

    @property
    def is_foreign(self) -> bool:
        """Whether the program is a 32-bit one, whose calls are not these."""
        return self._all[_CS] == _CODE_SEGMENT_32


def _signed(value: int) -> int:
    return value - (1 << 64) if value >> 63 else value
