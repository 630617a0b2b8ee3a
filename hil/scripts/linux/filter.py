"""The seccomp filter: which calls stop for the supervisor, as a BPF program.

Calls that cannot wait and do not tell the time pass at the kernel's own speed.  For the others a rule says by
their arguments whether they concern the supervisor (linux/seccomp.h, linux/filter.h).
"""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING, Final, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping
    from types import ModuleType

_ALLOW, _TRACE, _NOTIFY, _ERROR = 0x7FFF0000, 0x7FF00000, 0x7FC00000, 0x00050000
_LOAD, _EQUAL, _AT_LEAST, _AND, _RETURN = 0x20, 0x15, 0x35, 0x54, 0x06
# For what could not be followed, and for what would show this machine's own messages.
_ENOSYS, _EPERM = 38, 1

Instruction: TypeAlias = tuple[int, int, int, int]
Block: TypeAlias = list[Instruction]

_ARCHITECTURE_AT, _NUMBER_AT = 4, 0
_NEGATIVE_FROM: Final = 0x80000000

# Terminal ioctls (asm-generic/ioctls.h) that the supervisor looks at: settings and modem lines.
TCGETS, TCSETS, TCSETSW, TCSETSF = 0x5401, 0x5402, 0x5403, 0x5404
TCGETS2, TCSETS2, TCSETSW2, TCSETSF2 = 0x802C542A, 0x402C542B, 0x402C542C, 0x402C542D
TIOCSPTLCK: Final = 0x40045431
TIOCMGET, TIOCMBIS, TIOCMBIC, TIOCMSET, TIOCMIWAIT = 0x5415, 0x5416, 0x5417, 0x5418, 0x545C
TIOCGICOUNT: Final = 0x545D
TIOCOUTQ: Final = 0x5411
TIOCEXCL: Final = 0x540C
TCSBRK, TCSBRKP, TIOCSBRK, TIOCCBRK = 0x5409, 0x5425, 0x5427, 0x5428
# Requests of the GPIO character device (linux/gpio.h): their second byte.
GPIO_TYPE: Final = 0xB400
GPIO_MASK: Final = 0xFF00
_IOCTLS: Final = (
    *(TCGETS, TCSETS, TCSETSW, TCSETSF, TCGETS2, TCSETS2, TCSETSW2, TCSETSF2, TIOCSPTLCK),
    *(TIOCMGET, TIOCMBIS, TIOCMBIC, TIOCMSET, TIOCMIWAIT, TIOCGICOUNT, TIOCOUTQ, TIOCEXCL),
    *(TCSBRK, TCSBRKP, TIOCSBRK, TIOCCBRK),
)

# Clocks of processor time, which run by themselves (linux/time.h).
_CPU_CLOCKS: Final = (2, 3)
# Futex operations that never wait with a time-out: wait, lock, wait with bits, requeue, lock again.
_FUTEX_WAITS: Final = (0, 6, 9, 11, 13)
_FUTEX_COMMAND: Final = 0x7F
# Socket options of receiving and sending time-outs, old and new numbers (asm-generic/socket.h).
_SOCKET_TIMEOUTS: Final = (20, 21, 66, 67)


def _argument(number: int, *, high: bool = False) -> Instruction:
    return (_LOAD, 0, 0, 16 + 8 * number + 4 * high)


def _always() -> Block:
    return [(_RETURN, 0, 0, _TRACE)]


def _refused(error: int) -> Block:
    return [(_RETURN, 0, 0, _ERROR | error)]


def _with_pointer(number: int) -> Block:
    """A time-out is given by its address."""
    return [
        _argument(number),
        (_EQUAL, 0, 2, 0),
        _argument(number, high=True),
        (_EQUAL, 1, 0, 0),
        (_RETURN, 0, 0, _TRACE),
        (_RETURN, 0, 0, _ALLOW),
    ]


def _not_negative(number: int) -> Block:
    """A time-out is given by its number; a negative one is none."""
    return [
        _argument(number),
        (_AT_LEAST, 1, 0, _NEGATIVE_FROM),
        (_RETURN, 0, 0, _TRACE),
        (_RETURN, 0, 0, _ALLOW),
    ]


def _one_of(number: int, values: Iterable[int]) -> Block:
    wanted = list(values)
    tests = [(_EQUAL, len(wanted) - place, 0, value) for place, value in enumerate(wanted)]
    return [_argument(number), *tests, (_RETURN, 0, 0, _ALLOW), (_RETURN, 0, 0, _TRACE)]


def _ioctl() -> Block:
    """Those of terminals by their number, those of the GPIO device by their type."""
    tests = [(_EQUAL, len(_IOCTLS) + 2 - place, 0, value) for place, value in enumerate(_IOCTLS)]
    gpio = [(_AND, 0, 0, GPIO_MASK), (_EQUAL, 1, 0, GPIO_TYPE)]
    return [_argument(1), *tests, *gpio, (_RETURN, 0, 0, _ALLOW), (_RETURN, 0, 0, _TRACE)]


def _clock() -> Block:
    """Clocks other than those of processor time."""
    cpu = [(_EQUAL, len(_CPU_CLOCKS) + 1 - place, 0, clock) for place, clock in enumerate(_CPU_CLOCKS)]
    return [
        _argument(0),
        *cpu,
        (_AT_LEAST, 1, 0, _NEGATIVE_FROM),
        (_RETURN, 0, 0, _TRACE),
        (_RETURN, 0, 0, _ALLOW),
    ]


def _futex() -> Block:
    tests = [(_EQUAL, len(_FUTEX_WAITS) - place, 0, one) for place, one in enumerate(_FUTEX_WAITS)]
    return [_argument(1), (_AND, 0, 0, _FUTEX_COMMAND), *tests, (_RETURN, 0, 0, _ALLOW), *_with_pointer(3)]


_RULES: Final[dict[str, Block]] = {
    **dict.fromkeys(
        (
            *("gettimeofday", "time", "clock_settime", "settimeofday", "nanosleep", "alarm"),
            *("timer_settime", "timer_gettime", "timer_delete", "timer_getoverrun"),
            *("timerfd_settime", "timerfd_gettime", "times", "sysinfo", "adjtimex", "getrandom"),
        ),
        _always(),
    ),
    **dict.fromkeys(("clock_gettime", "clock_nanosleep", "timer_create", "clock_adjtime"), _clock()),
    **dict.fromkeys(("setitimer", "getitimer"), _one_of(0, (0,))),
    "poll": _not_negative(2),
    "epoll_wait": _not_negative(3),
    "epoll_pwait": _not_negative(3),
    "ppoll": _with_pointer(2),
    "rt_sigtimedwait": _with_pointer(2),
    "epoll_pwait2": _with_pointer(3),
    "semtimedop": _with_pointer(3),
    "futex_waitv": _with_pointer(3),
    "select": _with_pointer(4),
    "pselect6": _with_pointer(4),
    "mq_timedsend": _with_pointer(4),
    "mq_timedreceive": _with_pointer(4),
    "recvmmsg": _with_pointer(4),
    "io_getevents": _with_pointer(4),
    "io_pgetevents": _with_pointer(4),
    "futex": _futex(),
    **dict.fromkeys(("setsockopt", "getsockopt"), _one_of(2, _SOCKET_TIMEOUTS)),
    "ioctl": _ioctl(),
    "io_uring_setup": _refused(_ENOSYS),
    "syslog": _refused(_EPERM),
}


def program(machine: ModuleType, *, stops: bool = True) -> bytes:
    """The filter for *machine*, as the kernel takes it: eight bytes an instruction.

    Without *stops* it only refuses what shows this machine's own messages: for whoever is not traced.
    """
    return _assembled(machine, _RULES if stops else {"syslog": _RULES["syslog"]})


def holding_program(machine: ModuleType) -> bytes:
    """A filter that holds the ioctls of the GPIO device for whoever listens, and lets all else pass."""
    is_gpio = [(_AND, 0, 0, GPIO_MASK), (_EQUAL, 0, 1, GPIO_TYPE)]
    rule = [_argument(1), *is_gpio, (_RETURN, 0, 0, _NOTIFY), (_RETURN, 0, 0, _ALLOW)]
    return _assembled(machine, {"ioctl": rule})


def _assembled(machine: ModuleType, rules: Mapping[str, Block]) -> bytes:
    """The rules of those calls that *machine* has."""
    block: Block = [
        (_LOAD, 0, 0, _ARCHITECTURE_AT),
        (_EQUAL, 1, 0, machine.AUDIT_ARCH),
        (_RETURN, 0, 0, _ALLOW),
        (_LOAD, 0, 0, _NUMBER_AT),
    ]
    for name, rule in rules.items():
        if name in machine.NUMBERS:
            block += [(_EQUAL, 0, len(rule), machine.NUMBERS[name]), *rule]
    block.append((_RETURN, 0, 0, _ALLOW))
    return b"".join(struct.pack("=HBBI", *instruction) for instruction in block)


def as_file(code: bytes) -> int:
    """A descriptor from which a filter can be read, for whoever installs it; the caller closes it."""
    descriptor = os.memfd_create("filter", os.MFD_CLOEXEC)
    os.write(descriptor, code)
    os.lseek(descriptor, 0, os.SEEK_SET)
    return descriptor
