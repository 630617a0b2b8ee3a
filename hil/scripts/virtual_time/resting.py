"""Whether everybody rests: what is looked at, in which order, and when a look may be trusted.

A task that sleeps has a mark (`Task.rest`), which changes as soon as it runs.  Those whose mark is what it
was when all rested have not run since; others are looked at twice, and whoever serves them files in between.
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING

from hil.scripts.linux import kernel

if TYPE_CHECKING:
    from .supervisor import Supervisor
    from .tasks import Task
    from .world import Servants


class Seen(Enum):
    """What a look at the tree has shown: somebody runs, something was taken in, or all rest."""

    BUSY = 0
    CHANGE = 1
    REST = 2


class Resting:
    """Looks at one tree.  `has_begun` is for whoever sees the first program begin to set: before, whoever
    rests may wait for somebody who is not of the tree."""

    def __init__(self, supervisor: Supervisor, servants: Servants) -> None:
        self._supervisor, self._servants = supervisor, servants
        self.has_begun = False
        self._busy: Task | None = None
        self._rested: dict[Task, bytes] = {}
        # Whether since all rested anybody has ended who gave those of the sandbox something to do.
        self.has_any_ended = True

    def look(self, *, is_late: bool) -> Seen:
        """Whether all rest; then what has come from the tree is taken in: when it came is chance.

        Whoever has looked for long (*is_late*) has those answered who sleep too deeply to count as resting.
        """
        seen, marks, have_asked = self._look()
        if seen is Seen.BUSY and is_late and self._waits_for_a_servant():
            # No more: whoever sleeps so may do so for another reason, and soon go on.
            self._supervisor.world.answer()
        if seen is not Seen.REST:
            return seen
        if self._supervisor.time.takes_in():
            return Seen.CHANGE
        if have_asked or not self.has_begun:
            return Seen.BUSY
        self._have_rested(marks)
        return Seen.REST

    def _look(self) -> tuple[Seen, dict[Task, bytes], bool]:
        """What is seen, the marks of all that rest, and whether the model has been asked for something."""
        supervisor = self._supervisor
        if self._is_busy_still():
            return Seen.BUSY, {}, False
        supervisor.terminals.flush()
        if supervisor.take_stops():
            return Seen.CHANGE, {}, False
        marks = self._marks()
        if marks is None:
            return Seen.BUSY, {}, False
        if self._are_known(marks):
            return Seen.REST, marks, False
        are_answering, have_asked = self._servants.look()
        supervisor.terminals.flush()
        if supervisor.take_stops():
            return Seen.CHANGE, {}, have_asked
        again = None if are_answering else self._marks()
        seen = Seen.BUSY if again is None else Seen.REST if again == marks else Seen.CHANGE
        return seen, marks, have_asked

    def is_alone(self, task: Task, *, sleeps: bool = False) -> bool:
        """Whether all but *task*, which is at a stop, rest in the kernel, and nothing is on its way.

        Whoever calls and is alone can be answered at once: no need to wait for the others.  Where the task
        *sleeps*, no signal is on its way either.
        """
        supervisor = self._supervisor
        if not self.has_begun or supervisor.calls.are_any_at_stop(but=task):
            return False
        supervisor.terminals.flush()
        marks = self._marks(but=task)
        if marks is None or kernel.next_stop() is not None:  # one that has ended is on its way to its parent
            return False
        if marks and not self._are_known(marks):
            if self._servants.look() != (False, False):
                return False
            supervisor.terminals.flush()
            if self._marks(but=task) != marks or kernel.next_stop() is not None:
                return False
        if supervisor.time.takes_in():
            return False
        self._have_rested(marks)
        # Signals come from others, and from the ends of children.
        return not (sleeps and (marks or task.process.has_children) and task.is_signalled())

    def _have_rested(self, marks: dict[Task, bytes]) -> None:
        self._rested, self.has_any_ended = marks, False

    def _marks(self, but: Task | None = None) -> dict[Task, bytes] | None:
        """The marks of all who can have run, *but* one; None where anybody runs."""
        marks: dict[Task, bytes] = {}
        everybody = self.has_any_ended
        for task in self._supervisor.tree.tasks:
            if task is not but and (everybody or not task.keeps_others):
                mark = task.rest()
                if mark is None:
                    self._busy = task
                    return None
                marks[task] = mark
        return marks

    def _are_known(self, marks: dict[Task, bytes]) -> bool:
        """Whether whoever is not at a stop has not run since all rested."""
        rested = self._rested
        return all(rested.get(task) == mark or task.is_at_stop for task, mark in marks.items())

    def _is_busy_still(self) -> bool:
        """Whether that one runs which ran when all were last asked: nearly always it does."""
        busy, self._busy = self._busy, None
        if busy is None or self._supervisor.tree.get(busy.tid) is not busy or not busy.is_running():
            return False
        self._busy = busy
        return True

    def _waits_for_a_servant(self) -> bool:
        """Whether all sleep, some of them deeply behind a request to one of our file systems."""
        tree = self._supervisor.tree
        first = [task.rest(deep=True) for task in tree]
        if None in first or self._servants.look() != (False, True):
            return False
        return [task.rest(deep=True) for task in tree] == first
