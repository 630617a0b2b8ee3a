"""Sleeps: a task that sleeps waits for ever in the kernel and is woken at its deadline."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from .clocks import instant_ns
from .handlers import Answer, Arguments, handles, signed

if TYPE_CHECKING:
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task

_TIMER_ABSTIME: Final = 1
# Clocks that can be slept on: REALTIME, MONOTONIC, BOOTTIME, their alarm forms, TAI.
_SLEEPING: Final = (0, 1, 7, 8, 9, 11)


def _sleep(supervisor: Supervisor, task: Task, arguments: Arguments, sleep_ns: int, left_at: int) -> Answer:
    if sleep_ns == 0:
        supervisor.spinning.look()
    until_ns = supervisor.world.now_ns + sleep_ns
    if supervisor.time.sleeps_alone(task, until_ns):
        return 0

    def at_end(result: int, left_ns: int) -> None:
        if left_at and result != 0:
            task.process.write_timespec(left_at, left_ns)

    return supervisor.calls.wait(task, arguments, until_ns, timed_out=0, sleeps=True, at_end=at_end)


@handles("nanosleep")
def sleep(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """nanosleep(2)."""
    return _sleep(supervisor, task, arguments, task.process.read_timespec(arguments[0]), arguments[1])


@handles("clock_nanosleep")
def sleep_by_clock(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """clock_nanosleep(2)."""
    if arguments[0] & 0xFFFFFFFF not in _SLEEPING:
        return None
    value_ns = task.process.read_timespec(arguments[2])
    if not arguments[1] & _TIMER_ABSTIME:
        return _sleep(supervisor, task, arguments, value_ns, arguments[3])
    until_ns = instant_ns(supervisor.world, signed(arguments[0]), value_ns)
    if until_ns <= supervisor.world.now_ns:
        supervisor.spinning.look()
        return 0
    if supervisor.time.sleeps_alone(task, until_ns):
        return 0
    return supervisor.calls.wait(task, arguments, until_ns, timed_out=0, sleeps=True)
