"""The kernel's own interface, as far as the supervisor needs it: ptrace and a few calls without a wrapper.

Numbers are those of linux/ptrace.h and asm-generic/unistd.h.
"""

from __future__ import annotations

import ctypes
import errno
import os
from contextlib import contextmanager
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Iterator
    from resource import struct_rusage

# PyDLL keeps the interpreter's lock: these calls are short, and giving the lock away costs more than they.
_libc = ctypes.PyDLL(None, use_errno=True)
_ptrace = _libc.ptrace
_ptrace.restype = ctypes.c_long
_ptrace.argtypes = [ctypes.c_long, ctypes.c_long, ctypes.c_void_p, ctypes.c_void_p]
_syscall = _libc.syscall
_syscall.restype = ctypes.c_long

CONT: Final = 7
GETREGS: Final = 12
SETREGS: Final = 13
SYSCALL: Final = 24
GETEVENTMSG: Final = 0x4201
GETREGSET: Final = 0x4204
SETREGSET: Final = 0x4205
SEIZE: Final = 0x4206
INTERRUPT: Final = 0x4207
LISTEN: Final = 0x4208
PEEKSIGINFO: Final = 0x4209
GETSIGMASK: Final = 0x420A
SETSIGMASK: Final = 0x420B

# PTRACE_O_*: marked call stops, fork, vfork, clone, exec, seccomp, and die with the tracer.
OPTIONS: Final = 0x01 | 0x02 | 0x04 | 0x08 | 0x10 | 0x80 | 0x100000

EVENT_FORK, EVENT_VFORK, EVENT_CLONE, EVENT_EXEC = 1, 2, 3, 4
EVENT_SECCOMP: Final = 7
EVENT_STOP: Final = 128

# waitpid for threads as well as processes.
WALL: Final = 0x40000000
# Looks and takes nothing.
_ANY_STOP: Final = os.WEXITED | os.WSTOPPED | os.WNOHANG | os.WNOWAIT | WALL
_ENDS: Final = (os.CLD_EXITED, os.CLD_KILLED, os.CLD_DUMPED)

_PR_SET_NO_NEW_PRIVS: Final = 38
_PR_SET_TIMERSLACK: Final = 29
_NR_SECCOMP: Final = 317
_SECCOMP_SET_MODE_FILTER: Final = 1
_NEW_LISTENER, _WAIT_KILLABLE = 1 << 3, 1 << 5
_ASK_PERSONALITY, _ADDR_NO_RANDOMIZE = 0xFFFFFFFF, 0x0040000
# These have one number on every architecture that is younger than them.
_NR_PIDFD_OPEN: Final = 434
_NR_PIDFD_GETFD: Final = 438
# A descriptor of one thread, from Linux 6.9 on: the process's first one may have ended (linux/pidfd.h).
_PIDFD_THREAD: Final = os.O_EXCL

# What the kernel gives to whoever does not ask for another (prctl(2)); a child has its parent's.
USUAL_SLACK_NS: Final = 50_000

_TFD_IOC_SET_TICKS: Final = 0x40085400


class GoneError(Exception):
    """The task has died, as tasks may at any moment: nobody's mistake."""


def ptrace(request: int, tid: int, address: int = 0, data: int = 0) -> None:
    """One ptrace request; raises GoneError where the task is no more, OSError otherwise."""
    if _ptrace(request, tid, address, data) == -1:
        number = ctypes.get_errno()
        if number == errno.ESRCH:
            raise GoneError(tid)
        raise OSError(number, f"ptrace {request:#x} of {tid}: {os.strerror(number)}")


def block_signals(tid: int) -> bytes:
    """Let no signal come to a stopped task that can be held off; the mask that it had."""
    mask = ctypes.c_uint64()
    ptrace(GETSIGMASK, tid, 8, ctypes.addressof(mask))
    every = ctypes.c_uint64((1 << 64) - 1)
    ptrace(SETSIGMASK, tid, 8, ctypes.addressof(every))
    return bytes(mask)


def set_signal_mask(tid: int, mask: bytes) -> None:
    """Give a stopped task back the mask that it had."""
    ptrace(SETSIGMASK, tid, 8, ctypes.addressof(ctypes.c_uint64.from_buffer_copy(mask)))


def event_message(tid: int) -> int:
    """What a ptrace event tells beside its kind: a new task's number, or the former one's."""
    message = ctypes.c_ulong()
    ptrace(GETEVENTMSG, tid, 0, ctypes.addressof(message))
    return message.value


# struct ptrace_peeksiginfo_args: from the first on, of the task's own or of its process's, one of them.
_OWN_SIGNALS: Final = ctypes.create_string_buffer((0).to_bytes(12, "little") + (1).to_bytes(4, "little"))
_SHARED_SIGNALS: Final = ctypes.create_string_buffer(
    (0).to_bytes(8, "little") + (1).to_bytes(4, "little") + (1).to_bytes(4, "little")
)
_OWN_AT, _SHARED_AT = ctypes.addressof(_OWN_SIGNALS), ctypes.addressof(_SHARED_SIGNALS)
_SIGNAL: Final = ctypes.create_string_buffer(128)
_SIGNAL_AT: Final = ctypes.addressof(_SIGNAL)


def is_stopped(tid: int) -> bool:
    """Whether a task that has been at a stop still is: one that has been killed is no more."""
    return bool(_ptrace(PEEKSIGINFO, tid, _OWN_AT, _SIGNAL_AT) >= 0)


def next_stop() -> os.waitid_result | None:
    """A child or a task that has stopped, or ended, and that nobody has waited for yet."""
    try:
        return os.waitid(os.P_ALL, 0, _ANY_STOP)
    except ChildProcessError:
        return None


def is_end(stop: os.waitid_result) -> bool:
    """Whether a task has ended, and not only stopped."""
    return stop.si_code in _ENDS


def take(stop: os.waitid_result) -> tuple[int, int, struct_rusage | None]:
    """Wait for what has stopped or ended: number, status, and, at an end, what it has used.

    The number is 0 where there is nothing any more: whoever is killed at a stop has yet to end.
    """
    if is_end(stop):
        return os.wait4(stop.si_pid, WALL | os.WNOHANG)
    return *os.waitpid(stop.si_pid, WALL | os.WNOHANG), None


def has_signals(tid: int) -> bool:
    """Whether signals are pending for a stopped task, blocked ones among them; raises GoneError."""
    own = _ptrace(PEEKSIGINFO, tid, _OWN_AT, _SIGNAL_AT)
    if own == 0:
        own = _ptrace(PEEKSIGINFO, tid, _SHARED_AT, _SIGNAL_AT)
    if own < 0:
        raise GoneError(tid)
    return bool(own)


def install_filter(program: bytes, *, number: int = _NR_SECCOMP, flags: int = 0) -> int:
    """Put this thread, and all it starts, under a seccomp filter; raises OSError.

    With the *flags* of `listen` the result is the listener.
    """
    code = ctypes.create_string_buffer(program)
    head = (len(program) // 8).to_bytes(8, "little") + ctypes.addressof(code).to_bytes(8, "little")
    filter_program = ctypes.create_string_buffer(head)
    result: int = _syscall(number, _SECCOMP_SET_MODE_FILTER, flags, filter_program)
    if result < 0 and ctypes.get_errno() == errno.EACCES:
        # Without CAP_SYS_ADMIN the kernel wants the promise that nothing here gains privileges (seccomp(2)).
        _libc.prctl(_PR_SET_NO_NEW_PRIVS, 1, 0, 0, 0)
        result = _syscall(number, _SECCOMP_SET_MODE_FILTER, flags, filter_program)
    if result < 0:
        raise OSError(ctypes.get_errno(), f"seccomp: {os.strerror(ctypes.get_errno())}")
    return result


def listen(program: bytes, *, number: int = _NR_SECCOMP) -> int:
    """The same, with a descriptor at which calls wait for an answer, closed by exec (seccomp_unotify(2)).

    A call that has been looked at is not interrupted by signals, where the kernel can do so (Linux 5.19).
    """
    try:
        return install_filter(program, number=number, flags=_NEW_LISTENER | _WAIT_KILLABLE)
    except OSError as error:
        if error.errno != errno.EINVAL:
            raise
        return install_filter(program, number=number, flags=_NEW_LISTENER)


@contextmanager
def same_addresses() -> Iterator[None]:
    """What this thread starts meanwhile, and whatever that starts, is at the same addresses in each run.

    Programs take chance from their addresses (personality(2), ADDR_NO_RANDOMIZE).
    """
    before = _libc.personality(_ASK_PERSONALITY)
    _libc.personality(before | _ADDR_NO_RANDOMIZE)
    try:
        yield
    finally:
        _libc.personality(before)


def this_processor() -> int:
    """The number of the processor that this runs on, just now."""
    number: int = _libc.sched_getcpu()
    return number


def set_timer_slack(nanoseconds: int) -> None:
    """How far the kernel may put off this thread's own timers."""
    _libc.prctl(_PR_SET_TIMERSLACK, nanoseconds, 0, 0, 0)


@contextmanager
def borrowed(pid: int, descriptor: int) -> Iterator[int | None]:
    """A duplicate of another process's *descriptor*, while entered; None where it cannot be had."""
    own = borrow(pid, descriptor)
    try:
        yield own
    finally:
        if own is not None:
            os.close(own)


def borrow(pid: int, descriptor: int, *, thread: int = 0) -> int | None:
    """A duplicate of another process's *descriptor*, for the caller to close; None where there is none.

    It can also be had through a *thread* of the process, where the kernel knows that way.
    """
    handle = _syscall(_NR_PIDFD_OPEN, thread, _PIDFD_THREAD, 0) if thread and thread != pid else -1
    if handle < 0:
        handle = _syscall(_NR_PIDFD_OPEN, pid, 0, 0)
    if handle < 0:
        return None
    own: int = _syscall(_NR_PIDFD_GETFD, handle, descriptor, 0)
    os.close(handle)
    if own < 0:
        return None
    os.set_inheritable(own, False)
    return own


def queue_signal(call: int, *arguments: int, info: bytes) -> None:
    """rt_sigqueueinfo or rt_tgsigqueueinfo (*call* is its number); a task that is gone is no error."""
    _syscall(call, *arguments, ctypes.create_string_buffer(info, 128))


def disarm_timerfd(descriptor: int) -> None:
    """A timer descriptor that never expires by itself."""
    _libc.timerfd_settime(descriptor, 0, ctypes.create_string_buffer(bytes(32)), None)


def tick_timerfd(descriptor: int, ticks: int) -> None:
    """Let a timer descriptor have expired so often."""
    if _libc.ioctl(descriptor, _TFD_IOC_SET_TICKS, ctypes.byref(ctypes.c_uint64(ticks))) < 0:
        # A kernel without checkpointing: the least that it can be armed for.
        at_once = ctypes.create_string_buffer((0).to_bytes(24, "little") + (1).to_bytes(8, "little"))
        _libc.timerfd_settime(descriptor, 0, at_once, None)
