"""Clocks: read from the model's, set without moving it; and random bytes."""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

from hil.scripts.linux.caller import SECOND_NS

from .handlers import Answer, Arguments, handles, signed

if TYPE_CHECKING:
    from hil.scripts.virtual_time.probe import StillWorld
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task
    from hil.scripts.virtual_time.world import World

# CLOCK_REALTIME, its coarse form, its alarm form, and TAI (linux/time.h); the others count from the boot.
WALL_CLOCKS: Final = (0, 5, 8, 11)
# All that can be read and are not of processor time: both, their raw, coarse and alarm forms, BOOTTIME, TAI.
_CLOCKS: Final = (0, 1, 4, 5, 6, 7, 8, 9, 11)
_EINVAL: Final = 22
# Beyond, the kernel does not set the wall clock: thirty years before its counter ends (linux/time64.h).
_MOST_WALL_NS: Final = (1 << 63) - 30 * 365 * 24 * 3600 * SECOND_NS
_TICKS_A_SECOND: Final = 100
_TIMEX_TIME: Final = 72
# A longer answer would be cut short by signals (getrandom(2)); nobody asks for as much.
_MOST_RANDOM: Final = 1 << 20
# GRND_NONBLOCK, GRND_RANDOM, GRND_INSECURE.
_RANDOM_FLAGS: Final = 7


def clock_ns(world: World | StillWorld, clock: int) -> int:
    """What *clock* shows."""
    return world.wall_ns if clock in WALL_CLOCKS else world.monotonic_ns


def instant_ns(world: World | StillWorld, clock: int, value_ns: int) -> int:
    """When *clock* will show *value_ns*, in the model's time."""
    return world.from_wall(value_ns) if clock in WALL_CLOCKS else world.from_monotonic(value_ns)


@handles("clock_gettime")
def read_clock(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """clock_gettime(2)."""
    if arguments[0] & 0xFFFFFFFF not in _CLOCKS:
        return None
    supervisor.clock_pages.count(task)
    task.process.write_timespec(arguments[1], clock_ns(supervisor.world, signed(arguments[0])))
    return supervisor.clock_pages.offer(task, arguments, 0)


@handles("gettimeofday")
def read_time_of_day(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """gettimeofday(2)."""
    supervisor.clock_pages.count(task)
    if arguments[0]:
        task.process.write_timeval(arguments[0], supervisor.world.wall_ns)
    if arguments[1]:
        task.process.write(arguments[1], bytes(8))
    return supervisor.clock_pages.offer(task, arguments, 0)


@handles("time")
def read_seconds(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """time(2)."""
    supervisor.clock_pages.count(task)
    seconds = supervisor.world.wall_ns // SECOND_NS
    if arguments[0]:
        task.process.write(arguments[0], struct.pack("=q", seconds))
    return supervisor.clock_pages.offer(task, arguments, seconds)


@handles("clock_settime")
def set_clock(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """clock_settime(2): the wall clock alone can be set."""
    if arguments[0] != 0:
        return -_EINVAL
    return _set_wall(supervisor, task.process.read_timespec(arguments[1]))


@handles("settimeofday")
def set_time_of_day(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """settimeofday(2)."""
    return _set_wall(supervisor, task.process.read_timeval(arguments[0])) if arguments[0] else 0


def _set_wall(supervisor: Supervisor, wall_ns: int) -> int:
    if wall_ns >= _MOST_WALL_NS:
        return -_EINVAL
    supervisor.world.set_wall(wall_ns)
    supervisor.clock_pages.show(supervisor.world.now_ns)
    return 0


@handles("times")
def read_times(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """times(2): processor times as they are, the ticks since the boot from the model's clock."""
    supervisor.spinning.look()

    def finish(result: int) -> int:
        ticks = supervisor.world.monotonic_ns * _TICKS_A_SECOND // SECOND_NS
        return ticks if result >= 0 else result

    return supervisor.calls.call_then(task, arguments, finish)


@handles("sysinfo")
def read_system(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """sysinfo(2): the uptime from the model's clock, the rest as it is."""

    def finish(result: int) -> int:
        if result == 0:
            uptime_s = supervisor.world.monotonic_ns // SECOND_NS
            task.process.write(arguments[0], struct.pack("=q", uptime_s))
        return result

    return supervisor.calls.call_then(task, arguments, finish)


def _adjust(supervisor: Supervisor, task: Task, arguments: Arguments, address: int) -> Answer:
    def finish(result: int) -> int:
        if result >= 0:
            task.process.write_timeval(address + _TIMEX_TIME, supervisor.world.wall_ns)
        return result

    return supervisor.calls.call_then(task, arguments, finish)


@handles("adjtimex")
def adjust(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """adjtimex(2)."""
    return _adjust(supervisor, task, arguments, arguments[0])


@handles("clock_adjtime")
def adjust_clock(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """clock_adjtime(2)."""
    return _adjust(supervisor, task, arguments, arguments[1])


@handles("getrandom")
def random_bytes(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """getrandom(2): from the run's seed."""
    if arguments[2] & 0xFFFFFFFF & ~_RANDOM_FLAGS:
        return None
    size = min(arguments[1], _MOST_RANDOM)
    task.process.write(arguments[0], supervisor.entropy.take(size))
    return size
