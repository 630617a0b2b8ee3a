"""Calls that a task makes without knowing, one after the other, in place of one that has stopped.

The steps are a generator: it yields a call by name and arguments, gets its result, and returns that of the
call that was stopped.  Between two calls the task passes through its own code, where no signal may find it:
all that can be are held off, and for the one that cannot (SIGSTOP) whoever lets the task go on does so up to
its next call.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.scripts.linux import kernel
from hil.scripts.linux.kernel import ptrace

if TYPE_CHECKING:
    from hil.scripts.linux.caller import Steps

    from .supervisor import Supervisor
    from .tasks import Task


class Chain:
    """The calls of one task.  `begin` at the stop of the call that they stand for."""

    def __init__(self, supervisor: Supervisor, task: Task, steps: Steps) -> None:
        self._supervisor, self._task, self._steps = supervisor, task, steps
        self._saved = b""
        self._mask: bytes | None = None
        self._begins = False

    def begin(self) -> int | None:
        """Make the first, and the task goes on by itself: None; or the whole's result where there is none."""
        registers = self._supervisor.registers
        try:
            name, arguments = next(self._steps)
        except StopIteration as end:
            return int(end.value)
        registers.load(self._task.tid)
        self._saved = registers.save()
        registers.number = self._supervisor.machine.NUMBERS[name]
        for place, value in enumerate(arguments):
            registers.set_argument(place, value)
        self._task.chain = self
        registers.store(self._task.tid)
        ptrace(kernel.SYSCALL, self._task.tid)
        return None

    def stops(self) -> None:
        """The task has stopped at the beginning or the end of one of the calls."""
        tid, registers = self._task.tid, self._supervisor.registers
        if self._begins:
            self._begins = False
            ptrace(kernel.SYSCALL, tid)
            return
        registers.load(tid)
        try:
            name, arguments = self._steps.send(registers.result)
        except StopIteration as end:
            self._end(int(end.value))
            return
        if self._mask is None:
            self._mask = kernel.block_signals(tid)
        registers.call_again(self._supervisor.machine.NUMBERS[name], arguments)
        registers.store(tid)
        self._begins = True
        ptrace(kernel.SYSCALL, tid)

    def _end(self, result: int) -> None:
        tid, registers = self._task.tid, self._supervisor.registers
        self._task.chain = None
        if self._mask is not None:
            kernel.set_signal_mask(tid, self._mask)
        registers.put_back(self._saved)
        registers.number, registers.result = -1, result
        registers.store(tid)
        ptrace(kernel.CONT, tid)
