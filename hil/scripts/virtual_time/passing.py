"""How time passes for a tree: to what is due next, beside one that sleeps alone, with one that computes."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

from hil.scripts.linux.kernel import GoneError

from .deadlines import Deadlines

if TYPE_CHECKING:
    from collections.abc import Callable

    from .deadlines import Deadline
    from .supervisor import Supervisor
    from .tasks import Task


class Passing:
    """The time of one tree, which is the model's.  Nothing is done beyond `limit_ns`, where the run ends."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor, self._world = supervisor, supervisor.world
        self._deadlines = Deadlines()
        self.limit_ns: int | None = None

    @property
    def is_over(self) -> bool:
        """Whether the limit has come."""
        return self.limit_ns is not None and self._world.now_ns >= self.limit_ns

    def at(self, at_ns: int, task: Task, action: Callable[[], None]) -> Deadline:
        """Do *action* for *task* at *at_ns*, or now where that has passed."""
        return self._deadlines.add(max(at_ns, self._world.now_ns), task.place, action)

    def fire(self) -> bool:
        """Move to what is due next and do it: the model before the tree; False where nothing is due."""
        next_ns = self._next_ns()
        if next_ns is None:
            return False
        is_beyond = self.limit_ns is not None and next_ns > self.limit_ns
        if is_beyond and self.limit_ns is not None:
            next_ns = self.limit_ns
        self._supervisor.clock_pages.show(next_ns)  # before anything can wake a task
        if is_beyond:
            self._world.run_until(next_ns)
        elif self._world.next_due_ns() == next_ns:
            self._world.run_next_instant()
            self._show_model()
        else:
            self._world.run_until(next_ns)
            with contextlib.suppress(GoneError):
                self._deadlines.fire_next()
        return True

    def pass_time(self, nanoseconds: int) -> None:
        """Time moves by so much while tasks run, and what is due is done; not once the script has ended."""
        if self._supervisor.ending.has_come:
            return
        until_ns = self._world.now_ns + nanoseconds
        if self.limit_ns is not None:
            until_ns = min(until_ns, self.limit_ns)
        self._world.settle()
        while True:
            next_ns = self._next_ns()
            if next_ns is None or next_ns > until_ns:
                break
            self.fire()
        self._move(until_ns)

    def sleeps_alone(self, task: Task, until_ns: int) -> bool:
        """Let it be *until_ns*, where *task* is alone and nothing is due before: True where that is so."""
        supervisor = self._supervisor
        if supervisor.ending.has_come:
            return False
        if task.interrupted is not None:  # the kernel may be restarting it: it ends when it would have
            return False
        if (self.limit_ns is not None and until_ns >= self.limit_ns) or not supervisor.limits.are_none:
            return False
        next_ns = self._next_ns()
        if next_ns is not None and next_ns <= until_ns:
            return False
        if not supervisor.resting.is_alone(task, sleeps=True):
            return False
        supervisor.spinning.time_moves()
        self._move(until_ns)
        return True

    def takes_in(self) -> bool:
        """Take in what has come from the tree, and let the answer be there; True where any has come."""
        if not self._world.settle():
            return False
        self._show_model()
        return True

    def _next_ns(self) -> int | None:
        own_ns, model_ns = self._deadlines.next_ns(), self._world.next_due_ns()
        if own_ns is None or model_ns is None:
            return model_ns if own_ns is None else own_ns
        return min(own_ns, model_ns)

    def _move(self, until_ns: int) -> None:
        self._supervisor.clock_pages.show(until_ns)
        self._world.run_until(until_ns)

    def _show_model(self) -> None:
        self._supervisor.terminals.look_at_lines()
        self._world.arrive()
