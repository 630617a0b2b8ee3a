"""A stopped call in, how it ends out: answered at once, changed and left to the kernel, or held for a while.

Of a wait only the time-out is changed: it rests in the kernel, which keeps its own meaning of readiness,
wake-ups and signals, and is kicked at its virtual deadline.  What has come for a timed wait, and a look
without a wait, is held until all others rest.  What each call means is the handlers' (`calls`).
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Final

from hil.scripts.linux import kernel
from hil.scripts.linux.kernel import GoneError, ptrace

from .calls import HANDLERS
from .chains import Chain
from .tasks import Interrupted, Waiting

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Mapping

    from hil.scripts.linux.caller import Steps

    from .calls.handlers import Answer, Handler
    from .supervisor import Supervisor
    from .tasks import Task

# Results of calls that a signal, or a kick, has cut short (linux/errno.h): EINTR and the four restarts.
_INTERRUPTED: Final = (-4, -512, -513, -514, -516)
# ERESTARTNOHAND: EINTR where a handler ran, else the call begins anew.
_RESTART_UNLESS_HANDLED: Final = -514
# Looks without a wait, at one instant, that let all others run first.
_CAREFUL_LOOKS: Final = 200


class Pending:
    """A handler's answer: the task goes on by itself and the call ends later."""


PENDING: Final = Pending()


class CallsUnderWay:
    """The calls of one tree that have stopped and not yet ended; `parked` are who sleep at their stops."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        numbers = supervisor.machine.NUMBERS
        self._handlers = {number: HANDLERS[name] for name, number in numbers.items() if name in HANDLERS}
        self.parked: tuple[Task, ...] = ()
        self._held: list[Task] = []
        self._deferred: dict[int, Handler] = {}

    def begins(self, task: Task) -> None:
        """The task has stopped before a call."""
        registers = self._supervisor.registers
        registers.load(task.tid)
        handler = self._handlers.get(registers.number)
        if handler is None:
            ptrace(kernel.CONT, task.tid)
        else:
            self._answer(task, handler)

    def _answer(self, task: Task, handler: Handler) -> None:
        """Have the call that the registers hold answered, and let the task go on."""
        registers = self._supervisor.registers
        try:
            result = handler(self._supervisor, task, registers.arguments)
        except BaseException:
            # Whatever happens, the task goes on: one that is left here stays for ever.
            with contextlib.suppress(GoneError):
                ptrace(kernel.CONT, task.tid)
            raise
        if result is PENDING:
            return
        if result is not None:
            if registers.holder != task.tid:  # meanwhile they were another's
                registers.load(task.tid)
            registers.number, registers.result = -1, result
            registers.store(task.tid)
        ptrace(kernel.CONT, task.tid)

    def ends(self, task: Task) -> None:
        """The task has stopped after a call that the kernel has made."""
        if task.chain is not None:
            task.chain.stops()
            return
        waiting = task.waiting
        if waiting is None:
            ptrace(kernel.CONT, task.tid)
            return
        self._supervisor.registers.load(task.tid)
        if waiting.deadline is None or self._supervisor.registers.result in _INTERRUPTED:
            self._finish(task, waiting)
        else:
            # What it waited for has come, perhaps in part: it goes on once whoever brings it has done so.
            waiting.deadline.cancel()
            if self._supervisor.resting.is_alone(task):
                self._finish(task, waiting)
            else:
                self._hold(task)

    def forget(self, task: Task) -> None:
        """The task has gone, or is another program now."""
        if task.is_held:
            self._held.remove(task)
            task.is_held = False
            self._deferred.pop(task.tid, None)
        if task.is_parked:
            self._wake(task)
        if task.waiting is not None and task.waiting.deadline is not None:
            task.waiting.deadline.cancel()
        task.waiting = task.chain = None

    def are_any_at_stop(self, *, but: Task) -> bool:
        """Whether any task, *but* one, goes on only when it is let."""
        at_stop = (*self.parked, *self._held)
        return bool(at_stop) and any(task is not but for task in at_stop)

    def _hold(self, task: Task) -> None:
        task.is_held = True
        self._held.append(task)

    def release_one(self) -> bool:
        """Let the first of the tasks that are held go on, by place; False where there is none."""
        if not self._held:
            return False
        task = min(self._held, key=lambda one: one.place)
        self._held.remove(task)
        task.is_held = False
        with contextlib.suppress(GoneError):
            handler = self._deferred.pop(task.tid, None)
            self._supervisor.registers.load(task.tid)
            if handler is not None:
                self._answer(task, handler)
            elif task.waiting is not None:
                self._finish(task, task.waiting)
            else:
                ptrace(kernel.CONT, task.tid)
        return True

    def defer(self, task: Task, handler: Handler) -> Pending:
        """Have the call answered by *handler* once all others rest and what they did is taken in."""
        self._deferred[task.tid] = handler
        self._hold(task)
        return PENDING

    def look(self, task: Task) -> Pending | None:
        """The task asks whether something has come, without a wait: those who may bring it run first.

        For the first looks of an instant, that is: whoever goes on looking gets the kernel's answers at once.
        """
        if self._supervisor.spinning.look() > _CAREFUL_LOOKS or self._supervisor.resting.is_alone(task):
            return None
        self._hold(task)
        return PENDING

    def _finish(self, task: Task, waiting: Waiting) -> None:
        """The call's result, as the registers hold it, becomes what the task is to see."""
        task.waiting = None
        if waiting.deadline is not None:
            waiting.deadline.cancel()
        registers = self._supervisor.registers
        result = registers.result
        try:
            result = waiting.finish(result)
        finally:
            for number, value in enumerate(waiting.arguments):
                registers.set_argument(number, value)
            registers.number, registers.result = waiting.number, result
            registers.store(task.tid)
            ptrace(kernel.CONT, task.tid)

    def call_then(
        self,
        task: Task,
        arguments: tuple[int, ...],
        finish: Callable[[int], int],
        *,
        changes: Mapping[int, int] | None = None,
        instead: tuple[str, tuple[int, ...]] | None = None,
    ) -> Pending:
        """Let the kernel make the call, with some arguments changed or another call in its place.

        At its end *finish* gets the result and says which one the task sees.
        """
        registers = self._supervisor.registers
        task.waiting = Waiting(registers.number, arguments, finish)
        for number, value in (changes or {}).items():
            registers.set_argument(number, value)
        if instead is not None:
            self._make(task, *instead)
        else:
            registers.store(task.tid)
            ptrace(kernel.SYSCALL, task.tid)
        return PENDING

    def _make(self, task: Task, name: str, arguments: tuple[int, ...]) -> None:
        """Let the task make another call than the one that the registers hold, and stop after it."""
        registers = self._supervisor.registers
        registers.number = self._supervisor.machine.NUMBERS[name]
        for number, value in enumerate(arguments):
            registers.set_argument(number, value)
        registers.store(task.tid)
        ptrace(kernel.SYSCALL, task.tid)

    def make_instead(self, task: Task, steps: Steps) -> Answer:
        """Have the task make other calls in place of the one it has stopped at; their end is its result."""
        result = Chain(self._supervisor, task, steps).begin()
        return PENDING if result is None else result

    def wait(
        self,
        task: Task,
        arguments: tuple[int, ...],
        until_ns: int,
        *,
        timed_out: int,
        changes: Mapping[int, int] | None = None,
        sleeps: bool = False,
        at_end: Callable[[int, int], None] | None = None,
    ) -> Answer:
        """Let the task wait in the kernel without time-out; end its wait at *until_ns* with *timed_out*.

        *changes* take the time-out away.  A task that only *sleeps* stays at its stop, which costs
        less, until a signal comes for it.  *at_end* gets the result and the nanoseconds that were left.
        """
        call = (self._supervisor.registers.number, arguments, self._supervisor.registers.instruction)
        former, task.interrupted = task.interrupted, None
        if former is not None and former.call == call:
            until_ns = former.until_ns  # the kernel restarts what a signal without handler interrupted

        def finish(result: int) -> int:
            left_ns = max(0, until_ns - self._supervisor.world.now_ns)
            if result in _INTERRUPTED:
                if kicked():
                    result, left_ns = timed_out, 0
                else:
                    result = _RESTART_UNLESS_HANDLED
                    task.interrupted = Interrupted(call, until_ns)
            if at_end is not None:
                at_end(result, left_ns)
            return result

        if sleeps:
            kept = self._supervisor.registers.save()
            waiting = task.waiting = Waiting(call[0], arguments, finish, registers=kept)
            self._park(task)
        else:
            self.call_then(task, arguments, finish, changes=changes)
            assert task.waiting is not None  # noqa: S101 # call_then has set it
            waiting = task.waiting

        def kicked() -> bool:
            return waiting.is_kicked

        waiting.deadline = self._supervisor.time.at(until_ns, task, lambda: self.kick(task, waiting))
        return PENDING

    def kick(self, task: Task, waiting: Waiting) -> None:
        """End the wait that the task is in, if it is still that one."""
        if task.waiting is not waiting or self._supervisor.tree.get(task.tid) is not task:
            return
        waiting.is_kicked = True
        if not task.is_parked:
            ptrace(kernel.INTERRUPT, task.tid)
            return
        self._wake(task)
        task.waiting = None
        if waiting.deadline is not None:
            waiting.deadline.cancel()
        registers = self._supervisor.registers
        result = _RESTART_UNLESS_HANDLED
        try:
            result = waiting.finish(result)
        finally:
            registers.put_back(waiting.registers)  # as they still are
            registers.number, registers.result = -1, result
            registers.store(task.tid)
            ptrace(kernel.CONT, task.tid)

    def unpark(self, tasks: Iterable[Task]) -> bool:
        """Let those of *tasks* that sleep at their stops do so in the kernel; True where there was one."""
        found = False
        for task in tasks:
            if task.is_parked:
                found = True
                self._wake(task)
                registers = self._supervisor.registers
                with contextlib.suppress(GoneError):
                    registers.load(task.tid)
                    self._make(task, *self._supervisor.machine.PAUSE)
        return found

    def unpark_signalled(self, tasks: Iterable[Task]) -> bool:
        """Those for whom a signal has come are to get it as the kernel gives it to a sleeper."""
        return self.unpark([task for task in tasks if task.is_signalled()])

    def _park(self, task: Task) -> None:
        task.is_parked = True
        self.parked = (*self.parked, task)

    def _wake(self, task: Task) -> None:
        task.is_parked = False
        self.parked = tuple(other for other in self.parked if other is not task)
