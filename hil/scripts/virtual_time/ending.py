"""The script's end: those it leaves behind do what is still theirs at that instant, and time stands still.

The sandbox would end all of them as soon as it hears of that end, be they on their way or asleep: by chance.
So it does not hear of it.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Final

from hil.scripts.linux import kernel
from hil.scripts.linux.kernel import GoneError, ptrace

if TYPE_CHECKING:
    from os import waitid_result

    from .supervisor import Supervisor
    from .tasks import Process

# Processor time that those who are left may take.
_LEFT_NS: Final = 250_000_000


class Ending:
    """Of one tree.  `script` is its first program's process, once that has begun; `has_come` once it ends."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self.script: Process | None = None
        self.has_come = False
        self._used_ns = 0

    def is_this(self, stop: waitid_result) -> bool:
        """Whether *stop*, which nobody has taken yet, is the script's end."""
        return self.script is not None and stop.si_pid == self.script.pid and kernel.is_end(stop)

    def comes(self) -> None:
        """The script has ended, and nobody else knows: the sandbox's own processes do not go on any more."""
        self.has_come = True
        self._used_ns = self._supervisor.tree.processor_ns()
        for task in self._supervisor.tree:
            if task.keeps_others:
                with contextlib.suppress(GoneError):
                    ptrace(kernel.INTERRUPT, task.tid)

    def is_enough(self) -> bool:
        """Whether those who are left have had their time."""
        return self.has_come and self._supervisor.tree.processor_ns() - self._used_ns > _LEFT_NS
