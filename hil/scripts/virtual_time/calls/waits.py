"""Waits with a time-out: for descriptors, futexes, signals, semaphores, messages."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from .clocks import instant_ns
from .handlers import Answer, Arguments, handles, signed

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task

_EAGAIN, _EINTR, _ETIMEDOUT = -11, -4, -110
_MILLISECOND_NS: Final = 1_000_000
_FOR_EVER: Final = -1

_FUTEX_WAIT, _FUTEX_LOCK, _FUTEX_WAIT_BITS = 0, 6, 9
_FUTEX_COMMAND, _FUTEX_WALL = 0x7F, 0x100
_WALL, _MONOTONIC = 0, 1
_LONG_BITS: Final = 64


def _wait(
    supervisor: Supervisor,
    task: Task,
    arguments: Arguments,
    wait_ns: int,
    *,
    timeout: int,
    without: int = 0,
    timed_out: int = 0,
    at_end: Callable[[int, int], None] | None = None,
) -> Answer:
    """Wait for *wait_ns*; the argument *timeout* becomes *without*, which is none."""
    if wait_ns <= 0:
        return supervisor.calls.look(task)
    return supervisor.calls.wait(
        task,
        arguments,
        supervisor.world.now_ns + wait_ns,
        timed_out=timed_out,
        changes={timeout: without},
        at_end=at_end,
    )


@handles("poll")
def poll(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """poll(2)."""
    wait_ns = signed(arguments[2]) * _MILLISECOND_NS
    return _wait(supervisor, task, arguments, wait_ns, timeout=2, without=_FOR_EVER)


@handles("epoll_wait", "epoll_pwait")
def epoll(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """epoll_wait(2)."""
    wait_ns = signed(arguments[3]) * _MILLISECOND_NS
    return _wait(supervisor, task, arguments, wait_ns, timeout=3, without=_FOR_EVER)


@handles("ppoll")
def poll_with_signals(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """ppoll(2): what is left is written back."""
    process = task.process
    return _wait(
        supervisor,
        task,
        arguments,
        process.read_timespec(arguments[2]),
        timeout=2,
        at_end=lambda _, left_ns: process.write_timespec(arguments[2], left_ns),
    )


@handles("epoll_pwait2", "semtimedop", "futex_waitv")
def by_the_fourth(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """epoll_pwait2(2), semtimedop(2), futex_waitv(2)."""
    process = task.process
    name = supervisor.names[supervisor.registers.number]
    value_ns = process.read_timespec(arguments[3])
    if name == "futex_waitv":
        wait_ns = instant_ns(supervisor.world, signed(arguments[4]), value_ns) - supervisor.world.now_ns
        if wait_ns <= 0:
            supervisor.spinning.look()
            return _ETIMEDOUT
    else:
        wait_ns = value_ns
    timed_out = {"epoll_pwait2": 0, "semtimedop": _EAGAIN, "futex_waitv": _ETIMEDOUT}[name]
    return _wait(supervisor, task, arguments, wait_ns, timeout=3, timed_out=timed_out)


@handles("rt_sigtimedwait")
def wait_for_signal(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """sigtimedwait(2)."""
    wait_ns = task.process.read_timespec(arguments[2])
    return _wait(supervisor, task, arguments, wait_ns, timeout=2, timed_out=_EAGAIN)


def _select(
    supervisor: Supervisor, task: Task, arguments: Arguments, wait_ns: int, write_left: Callable[[int], None]
) -> Answer:
    """The sets are cleared where time ran out; what is left is written back."""
    process = task.process

    def at_end(result: int, left_ns: int) -> None:
        if result == 0:
            size = (signed(arguments[0]) + _LONG_BITS - 1) // _LONG_BITS * 8
            for address in arguments[1:4]:
                if address:
                    process.write(address, bytes(size))
        write_left(left_ns)

    return _wait(supervisor, task, arguments, wait_ns, timeout=4, at_end=at_end)


@handles("select")
def select(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """select(2)."""
    process, address = task.process, arguments[4]
    wait_ns = process.read_any_timeval(address)
    return _select(
        supervisor, task, arguments, wait_ns, lambda left_ns: process.write_timeval(address, left_ns)
    )


@handles("pselect6")
def select_with_signals(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """pselect(2)."""
    process, address = task.process, arguments[4]
    wait_ns = process.read_timespec(address)
    if wait_ns <= 0:
        return supervisor.calls.look(task)
    return _select(
        supervisor, task, arguments, wait_ns, lambda left_ns: process.write_timespec(address, left_ns)
    )


@handles("futex")
def futex(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """futex(2): waiting is relative, all else absolute."""
    command, value_ns = arguments[1] & _FUTEX_COMMAND, task.process.read_timespec(arguments[3])
    if command == _FUTEX_WAIT:
        wait_ns = value_ns
    else:
        by_wall = command == _FUTEX_LOCK or arguments[1] & _FUTEX_WALL
        clock = _WALL if by_wall else _MONOTONIC
        wait_ns = instant_ns(supervisor.world, clock, value_ns) - supervisor.world.now_ns
    if wait_ns > 0:
        return _wait(supervisor, task, arguments, wait_ns, timeout=3, timed_out=_ETIMEDOUT)
    supervisor.spinning.look()
    (value,) = struct.unpack("=I", task.process.read(arguments[0], 4))
    waits = command in (_FUTEX_WAIT, _FUTEX_WAIT_BITS)
    return _EAGAIN if waits and value != arguments[2] & 0xFFFFFFFF else _ETIMEDOUT


@handles("mq_timedsend", "mq_timedreceive")
def message_queue(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """mq_timedsend(3) and mq_timedreceive(3): until an instant of the wall clock."""
    until_ns = supervisor.world.from_wall(task.process.read_timespec(arguments[4]))
    wait_ns = max(until_ns - supervisor.world.now_ns, 1)
    return _wait(supervisor, task, arguments, wait_ns, timeout=4, timed_out=_ETIMEDOUT)


@handles("recvmmsg", "io_getevents", "io_pgetevents")
def many_at_once(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """recvmmsg(2) and io_getevents(2)."""
    wait_ns = task.process.read_timespec(arguments[4])
    timed_out = _EAGAIN if supervisor.names[supervisor.registers.number] == "recvmmsg" else 0
    return _wait(supervisor, task, arguments, wait_ns, timeout=4, timed_out=timed_out)
