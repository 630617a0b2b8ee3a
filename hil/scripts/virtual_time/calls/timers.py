"""Timers: of a process (alarm, setitimer), of POSIX (timer_create), and on descriptors (timerfd)."""

from __future__ import annotations

import os
import select
import signal
import struct
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hil.scripts.linux import kernel
from hil.scripts.linux.caller import SECOND_NS

from .clocks import instant_ns
from .handlers import Answer, Arguments, handles, signed

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.scripts.virtual_time.deadlines import Deadline
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Process, Task

_EBADF: Final = -9
_ABSOLUTE: Final = 1
# The least that a timer of a process shows as left while it runs (setitimer(2): it is not yet due).
_LEAST_LEFT_NS: Final = 1_000

# sigevent's kinds of notice (asm-generic/siginfo.h), and the code of a timer's signal.
_NOTIFY_NONE, _NOTIFY_THREAD = 1, 4
_SI_TIMER: Final = -2


class Timer:
    """Something that expires, once or again and again; *expire* is called each time."""

    def __init__(self, supervisor: Supervisor, task: Task, expire: Callable[[], None]) -> None:
        self._supervisor, self._task, self._expire = supervisor, task, expire
        self._due: Deadline | None = None
        self.every_ns = 0

    @property
    def left_ns(self) -> int:
        """Until it expires; 0 where it is not armed."""
        if self._due is None or not self._due.is_pending:
            return 0
        return max(self._due.at_ns - self._supervisor.world.now_ns, _LEAST_LEFT_NS)

    def arm(self, at_ns: int | None, every_ns: int) -> None:
        """Expire at *at_ns* and then every *every_ns* (0: once); None disarms."""
        self.cancel()
        self.every_ns = every_ns
        if at_ns is not None:
            self._due = self._supervisor.time.at(at_ns, self._task, self._fire)

    def cancel(self) -> None:
        """Expire no more."""
        if self._due is not None:
            self._due.cancel()
            self._due = None

    def close(self) -> None:
        """It is used no more."""
        self.cancel()

    def _fire(self) -> None:
        if self.every_ns:
            self._due = self._supervisor.time.at(
                self._supervisor.world.now_ns + self.every_ns, self._task, self._fire
            )
        self._expire()


# -- of a process -------------------------------------------------------------------------


def _alarm_of(supervisor: Supervisor, task: Task) -> Timer:
    process = task.process
    if process.alarm is None:

        def ring() -> None:
            if supervisor.tree.has_process(process.pid):
                os.kill(process.pid, signal.SIGALRM)

        process.alarm = Timer(supervisor, task, ring)
    return process.alarm


def _set_alarm(supervisor: Supervisor, task: Task, wait_ns: int, every_ns: int) -> tuple[int, int]:
    """Arm it anew; what was left, and how often it came."""
    timer = _alarm_of(supervisor, task)
    before = timer.left_ns, timer.every_ns
    timer.arm(supervisor.world.now_ns + wait_ns if wait_ns else None, every_ns)
    return before


@handles("alarm")
def alarm(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """alarm(2): what was left, in whole seconds, and not 0 where anything was (kernel/time/itimer.c)."""
    left_ns, _ = _set_alarm(supervisor, task, (arguments[0] & 0xFFFFFFFF) * SECOND_NS, 0)
    return max((left_ns + SECOND_NS // 2) // SECOND_NS, int(left_ns > 0))


def _write_interval(process: Process, address: int, left_ns: int, every_ns: int) -> None:
    process.write_timeval(address, every_ns)
    process.write_timeval(address + 16, left_ns)


@handles("setitimer")
def set_interval(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """setitimer(2) of the wall's time."""
    process, every_ns, wait_ns = task.process, 0, 0
    if arguments[1]:
        every_ns, wait_ns = process.read_timeval(arguments[1]), process.read_timeval(arguments[1] + 16)
    left_ns, before_ns = _set_alarm(supervisor, task, wait_ns, every_ns)
    if arguments[2]:
        _write_interval(process, arguments[2], left_ns, before_ns)
    return 0


@handles("getitimer")
def get_interval(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """getitimer(2) likewise."""
    timer = _alarm_of(supervisor, task)
    _write_interval(task.process, arguments[1], timer.left_ns, timer.every_ns)
    return 0


# -- of POSIX -----------------------------------------------------------------------------


class _PosixTimer(Timer):
    """A timer that sends its signal with what its owner gave it (timer_create(2))."""

    def __init__(
        self, supervisor: Supervisor, task: Task, *, number: int, clock: int, event: tuple[int, int, int, int]
    ) -> None:
        super().__init__(supervisor, task, self._signal)
        self._number, self.clock = number, clock
        self._value, self._signal_number, self._kind, self._thread = event

    def _signal(self) -> None:
        if self._kind == _NOTIFY_NONE:
            return
        info = struct.pack(
            "=iiiiiiQ", self._signal_number, 0, _SI_TIMER, 0, self._number, 0, self._value
        ).ljust(128, b"\0")
        numbers, pid = self._supervisor.machine.NUMBERS, self._task.process.pid
        if self._kind == _NOTIFY_THREAD:
            kernel.queue_signal(
                numbers["rt_tgsigqueueinfo"], pid, self._thread, self._signal_number, info=info
            )
        else:
            kernel.queue_signal(numbers["rt_sigqueueinfo"], pid, self._signal_number, info=info)


def _thread(supervisor: Supervisor, process: Process, number: int) -> int:
    """The thread of *process* that itself is known to it by *number*: in the sandbox numbers are others."""
    for task in supervisor.tree:
        if task.process is process and task.number_within() == number:
            return task.tid
    return number


def _posix(task: Task, arguments: Arguments) -> _PosixTimer | None:
    timer = task.process.timers.get(("posix", signed(arguments[0])))
    return timer if isinstance(timer, _PosixTimer) else None


def _write_timer(process: Process, address: int, timer: Timer) -> None:
    process.write_timespec(address, timer.every_ns)
    process.write_timespec(address + 16, timer.left_ns)


@handles("timer_create")
def create(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """timer_create(2): the kernel's timer gives the number and is never armed."""
    process, clock = task.process, signed(arguments[0])
    event = struct.unpack("=Qiii", process.read(arguments[1], 20)) if arguments[1] else None

    def finish(result: int) -> int:
        if result == 0:
            (number,) = struct.unpack("=i", process.read(arguments[2], 4))
            told = event or (number, int(signal.SIGALRM), 0, 0)
            if told[2] == _NOTIFY_THREAD:
                told = (*told[:3], _thread(supervisor, process, told[3]))
            process.timers["posix", number] = _PosixTimer(
                supervisor, task, number=number, clock=clock, event=told
            )
        return result

    return supervisor.calls.call_then(task, arguments, finish)


@handles("timer_settime")
def set_timer(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """timer_settime(2)."""
    timer, process = _posix(task, arguments), task.process
    if timer is None:
        return None  # one of processor time
    every_ns, value_ns = process.read_timespec(arguments[2]), process.read_timespec(arguments[2] + 16)
    if arguments[3]:
        _write_timer(process, arguments[3], timer)
    timer.arm(_due_ns(supervisor, timer.clock, arguments[1], value_ns), every_ns)
    return 0


def _due_ns(supervisor: Supervisor, clock: int, flags: int, value_ns: int) -> int | None:
    if not value_ns:
        return None
    if flags & _ABSOLUTE:
        return instant_ns(supervisor.world, clock, value_ns)
    return supervisor.world.now_ns + value_ns


@handles("timer_gettime")
def get_timer(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """timer_gettime(2)."""
    del supervisor
    timer = _posix(task, arguments)
    if timer is None:
        return None
    _write_timer(task.process, arguments[1], timer)
    return 0


@handles("timer_getoverrun")
def get_overrun(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """timer_getoverrun(2): no expiry is ever missed here."""
    del supervisor
    return None if _posix(task, arguments) is None else 0


@handles("timer_delete")
def delete(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """timer_delete(2): the kernel's goes too."""
    del supervisor
    timer = task.process.timers.pop(("posix", signed(arguments[0])), None)
    if timer is not None:
        timer.close()
    return None


# -- on descriptors -----------------------------------------------------------------------


class _DescriptorTimer(Timer):
    """A timerfd, by a duplicate of it through which its ticks are set."""

    def __init__(self, supervisor: Supervisor, task: Task, descriptor: int) -> None:
        super().__init__(supervisor, task, self._tick)
        self._descriptor = descriptor
        self._ticks = 0

    def _tick(self) -> None:
        unread = bool(select.select([self._descriptor], (), (), 0)[0])
        self._ticks = self._ticks + 1 if unread else 1
        kernel.tick_timerfd(self._descriptor, self._ticks)

    def close(self) -> None:
        """Let go of the duplicate."""
        super().close()
        os.close(self._descriptor)


def _clock_of(pid: int, descriptor: int) -> int | None:
    """The clock that an open timer goes by; None for anything else."""
    try:
        lines = Path(f"/proc/{pid}/fdinfo/{descriptor}").read_text(encoding="ascii").splitlines()
    except OSError:
        return None
    return next((int(line.split()[1]) for line in lines if line.startswith("clockid")), None)


@handles("timerfd_settime")
def set_descriptor(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """timerfd_settime(2): armed by its ticks, at the virtual deadline."""
    process, number = task.process, signed(arguments[0])
    clock = _clock_of(process.pid, number)
    if clock is None:
        return None  # the kernel says what is wrong
    every_ns, value_ns = process.read_timespec(arguments[2]), process.read_timespec(arguments[2] + 16)
    own = kernel.borrow(process.pid, number)
    if own is None:
        return _EBADF
    kernel.disarm_timerfd(own)
    former = process.timers.pop(("descriptor", number), None)
    if arguments[3]:
        if former is None:
            process.write(arguments[3], bytes(32))
        else:
            _write_timer(process, arguments[3], former)
    if former is not None:
        former.close()
    timer = process.timers["descriptor", number] = _DescriptorTimer(supervisor, task, own)
    timer.arm(_due_ns(supervisor, clock, arguments[1], value_ns), every_ns)
    return 0


@handles("timerfd_gettime")
def get_descriptor(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """timerfd_gettime(2)."""
    del supervisor
    timer = task.process.timers.get(("descriptor", signed(arguments[0])))
    if timer is None:
        return None  # the kernel's shows no more
    _write_timer(task.process, arguments[1], timer)
    return 0
