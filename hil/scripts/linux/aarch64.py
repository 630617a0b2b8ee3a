"""aarch64: registers as ptrace shows them, and the numbers of the calls (asm-generic/unistd.h).

Written from the tables and never run: no such machine was at hand.
"""

from __future__ import annotations

import ctypes
from typing import TYPE_CHECKING, Final

from .kernel import GETREGSET, SETREGSET, ptrace

if TYPE_CHECKING:
    from collections.abc import Sequence

AUDIT_ARCH: Final = 0xC00000B7
SECCOMP: Final = 277
# Nothing stands in for the functions of the vDSO, which is hidden.
CLOCK: Final = None

# There is no pause: ppoll of nothing, for ever.
PAUSE: Final = ("ppoll", (0, 0, 0, 0, 0))

NUMBERS: Final = {
    "io_getevents": 4,
    "epoll_pwait": 22,
    "dup3": 24,
    "ioctl": 29,
    "close": 57,
    "read": 63,
    "write": 64,
    "readv": 65,
    "writev": 66,
    "pselect6": 72,
    "ppoll": 73,
    "timerfd_settime": 86,
    "timerfd_gettime": 87,
    "futex": 98,
    "nanosleep": 101,
    "getitimer": 102,
    "setitimer": 103,
    "timer_create": 107,
    "timer_gettime": 108,
    "timer_getoverrun": 109,
    "timer_settime": 110,
    "timer_delete": 111,
    "clock_settime": 112,
    "clock_gettime": 113,
    "clock_nanosleep": 115,
    "syslog": 116,
    "rt_sigtimedwait": 137,
    "rt_sigqueueinfo": 138,
    "times": 153,
    "gettimeofday": 169,
    "settimeofday": 170,
    "adjtimex": 171,
    "sysinfo": 179,
    "mq_timedsend": 182,
    "mq_timedreceive": 183,
    "semtimedop": 192,
    "socket": 198,
    "accept": 202,
    "connect": 203,
    "sendto": 206,
    "recvfrom": 207,
    "setsockopt": 208,
    "getsockopt": 209,
    "sendmsg": 211,
    "recvmsg": 212,
    "rt_tgsigqueueinfo": 240,
    "accept4": 242,
    "recvmmsg": 243,
    "clock_adjtime": 266,
    "sendmmsg": 269,
    "getrandom": 278,
    "io_pgetevents": 292,
    "io_uring_setup": 425,
    "epoll_pwait2": 441,
    "futex_waitv": 449,
}

_NT_PRSTATUS: Final = 1
_NT_ARM_SYSTEM_CALL: Final = 0x404
_X8, _SP, _PC = 8, 31, 32
# The length of the instruction `svc`.
_CALL_BYTES: Final = 4


class _Vector(ctypes.Structure):
    _fields_ = [  # type: ignore[mutable-override]  # as ctypes wants it
        ("base", ctypes.c_void_p),
        ("length", ctypes.c_size_t),
    ]


class Registers:
    """The registers of one stopped task, their `holder`; x0 is the first argument and the result."""

    def __init__(self) -> None:
        self.holder = 0
        self._all = (ctypes.c_ulong * 34)()
        self._vector = _Vector(ctypes.addressof(self._all), ctypes.sizeof(self._all))
        self._number = ctypes.c_int(0)
        self._number_vector = _Vector(ctypes.addressof(self._number), 4)
        self._has_number = False

    def load(self, tid: int) -> None:
        """Read the task's."""
        ptrace(GETREGSET, tid, _NT_PRSTATUS, ctypes.addressof(self._vector))
        self.holder = tid
        self._number.value = ctypes.c_int(self._all[_X8]).value
        self._has_number = False

    def store(self, tid: int) -> None:
        """Write them back."""
        if self._has_number:
            ptrace(SETREGSET, tid, _NT_ARM_SYSTEM_CALL, ctypes.addressof(self._number_vector))
        ptrace(SETREGSET, tid, _NT_PRSTATUS, ctypes.addressof(self._vector))

    @property
    def number(self) -> int:
        """The call's number; -1 skips it."""
        return self._number.value

    @number.setter
    def number(self, value: int) -> None:
        self._number.value, self._has_number = value, True

    @property
    def result(self) -> int:
        """The call's result, negative for an error."""
        return ctypes.c_long(self._all[0]).value

    @result.setter
    def result(self, value: int) -> None:
        self._all[0] = value & ((1 << 64) - 1)

    @property
    def arguments(self) -> tuple[int, ...]:
        """Six, unsigned."""
        return tuple(self._all[:6])

    def set_argument(self, number: int, value: int) -> None:
        """Change one of them."""
        self._all[number] = value & ((1 << 64) - 1)

    @property
    def instruction(self) -> int:
        """Where the task is."""
        return self._all[_PC]

    def save(self) -> bytes:
        """All of them, to be put back."""
        return bytes(self._all)

    def put_back(self, saved: bytes) -> None:
        """As they were."""
        self.holder = 0
        ctypes.memmove(self._all, saved, len(saved))
        self._has_number = False

    def call_again(self, number: int, arguments: Sequence[int]) -> None:
        """The task, which has just made a call, makes another one from the same place."""
        self._all[_PC] -= _CALL_BYTES
        self._all[_X8], self._has_number = number, False
        for place, value in enumerate(arguments):
            self.set_argument(place, value)

    @property
    def stack(self) -> int:
        """The top of its stack."""
        return self._all[_SP]

    @property
    def is_foreign(self) -> bool:
        """32-bit programs are not told from others here."""
        return False
