"""Calls in, at the model's own instants out: the one event queue.

Time is an integer number of nanoseconds since the run began and moves only
when somebody advances it.  Knows no wall clock.
"""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

SECOND_NS: Final = 1_000_000_000

# A cancelled call stays in the heap until it is due; past this many of them, and once they are the
# majority, the heap is rebuilt, so that a model that re-arms timers for days stays small.
_SWEEP_FROM: Final = 64


def ns(seconds: float) -> int:
    """*seconds* as whole nanoseconds, rounded to the nearest."""
    return round(seconds * SECOND_NS)


class Wakeup:
    """One call that is due at `at_ns`; `cancel` may be called at any time, also twice."""

    __slots__ = ("_timeline", "action", "at_ns")

    def __init__(self, timeline: Timeline, at_ns: int, action: Callable[[], None] | None) -> None:
        self._timeline = timeline
        self.at_ns = at_ns
        self.action = action

    @property
    def is_pending(self) -> bool:
        """Whether the call is still to come."""
        return self.action is not None

    def cancel(self) -> None:
        """The call will not be made."""
        if self.action is not None:
            self.action = None
            self._timeline.note_cancelled()


class Timeline:
    """The clock and its queue.  `now_ns` is the present instant, in ns since the run began; only to be read.

    Calls at one instant run in the order in which they were scheduled.  A call may schedule
    and cancel others, also at its own instant.
    """

    def __init__(self) -> None:
        self.now_ns = 0
        self._sequence = 0
        self._heap: list[tuple[int, int, Wakeup]] = []
        self._cancelled = 0

    def __len__(self) -> int:
        """How many calls are still to come."""
        return len(self._heap) - self._cancelled

    def call_at(self, at_ns: int, action: Callable[[], None]) -> Wakeup:
        """Schedule *action* for *at_ns*; raises ValueError for an instant that has passed."""
        if at_ns < self.now_ns:
            raise ValueError(f"{at_ns} ns has passed: it is {self.now_ns} ns now")
        wakeup = Wakeup(self, at_ns, action)
        self._sequence += 1
        heapq.heappush(self._heap, (at_ns, self._sequence, wakeup))
        return wakeup

    def call_in(self, delay_ns: int, action: Callable[[], None]) -> Wakeup:
        """Schedule *action* for *delay_ns* (0 or more) from now."""
        return self.call_at(self.now_ns + delay_ns, action)

    def next_due_ns(self) -> int | None:
        """The instant of the next call, or None where nothing is to come."""
        heap = self._heap
        while heap and heap[0][2].action is None:
            heapq.heappop(heap)
            self._cancelled -= 1
        return heap[0][0] if heap else None

    def run_next_instant(self) -> None:
        """Move to the next call's instant and make all calls of that instant."""
        due_ns = self.next_due_ns()
        if due_ns is not None:
            self.run_until(due_ns)

    def run_until(self, until_ns: int) -> None:
        """Make every call due up to and including *until_ns*; afterwards it is *until_ns*."""
        if until_ns < self.now_ns:
            raise ValueError(f"{until_ns} ns has passed: it is {self.now_ns} ns now")
        heap = self._heap
        while heap and heap[0][0] <= until_ns:
            at_ns, _, wakeup = heapq.heappop(heap)
            action = wakeup.action
            if action is None:
                self._cancelled -= 1
                continue
            wakeup.action = None
            self.now_ns = at_ns
            action()
        self.now_ns = until_ns

    def pass_time(self, until_ns: int) -> bool:
        """It is *until_ns* now, where nothing is due before (True); never moves back."""
        heap = self._heap
        if heap and heap[0][0] <= until_ns:
            return False
        self.now_ns = max(self.now_ns, until_ns)
        return True

    def note_cancelled(self) -> None:
        """Count a cancelled call that still lies in the heap (called by `Wakeup.cancel`)."""
        self._cancelled += 1
        if self._cancelled > _SWEEP_FROM and self._cancelled * 2 > len(self._heap):
            # In place: `run_until` holds the same list while it makes calls.
            self._heap[:] = [entry for entry in self._heap if entry[2].action is not None]
            heapq.heapify(self._heap)
            self._cancelled = 0
