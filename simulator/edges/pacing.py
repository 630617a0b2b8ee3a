"""How simulated time relates to wall time, and the only loop that waits.

*virtual*: time jumps to the next deadline once everything has been settled; *real* or a factor:
the timeline follows the wall clock, and how late each of its actions ran is kept.
"""

from __future__ import annotations

import time
from collections import deque
from typing import TYPE_CHECKING, Final

from .descriptors import Descriptors

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model

# An action this late or later is recorded as late: far above what an idle machine shows, and below
# what a script can notice.
LATE_NS: Final = 1_000_000
_LATE_KEPT: Final = 10_000

# A paced run writes its recording away in pauses of this length, so that writing does not slow a dialogue;
# at the latest after so long, or at so many events.
_PAUSE_S: Final = 0.02
_LATEST_NS: Final = 1_000_000_000
_MOST_EVENTS: Final = 20_000


class StuckError(RuntimeError):
    """Virtual time cannot move: everybody waits and nothing is due."""


class Driver:
    """Serves one model: bytes and deadlines in, bytes out.

    *factor* None is virtual pace; 1 is real; 10 runs ten simulated seconds in one.  `latest_ns` is
    how late the latest action ran, in nanoseconds of wall time.
    """

    def __init__(self, model: Model, *, factor: float | None) -> None:
        if factor is not None and factor <= 0:
            raise ValueError(f"a pace is above 0, not {factor:g}")
        self.model, self.factor = model, factor
        self.descriptors = Descriptors()
        self.latest_ns = 0
        self._late: deque[tuple[int, int]] = deque(maxlen=_LATE_KEPT)
        self.on_events: Callable[[], None] | None = None
        self._timeline = model.timeline
        self._origin_ns = 0
        self._written_ns = 0
        self._is_quiet = True
        self.start_clock()

    def start_clock(self) -> None:
        """The model's present instant is now."""
        self._origin_ns = time.monotonic_ns() - self._to_wall(self._timeline.now_ns)

    def _to_wall(self, model_ns: int) -> int:
        return round(model_ns / self.factor) if self.factor else model_ns

    def monotonic_ns(self, model_ns: int) -> int:
        """At a pace: when an instant of the model is, by this machine's monotonic clock."""
        return self._origin_ns + self._to_wall(model_ns)

    @property
    def is_virtual(self) -> bool:
        """Whether time jumps."""
        return self.factor is None

    def catch_up(self) -> None:
        """At a pace: bring the model to the present, and note how late its actions were."""
        factor = self.factor
        if factor is None:
            return
        timeline = self._timeline
        while True:
            wall_ns = time.monotonic_ns() - self._origin_ns
            now_ns = wall_ns if factor == 1.0 else round(wall_ns * factor)
            if timeline.pass_time(now_ns):
                return
            self._run_late(now_ns)

    def _run_late(self, now_ns: int) -> None:
        """Run the next instant's actions, and note how late they are."""
        due_ns = self._timeline.next_due_ns()
        if due_ns is None or due_ns > now_ns:  # what was due has been cancelled
            return
        self._timeline.run_next_instant()
        late_ns = self._to_wall(now_ns - due_ns)
        self.latest_ns = max(self.latest_ns, late_ns)
        if late_ns >= LATE_NS:
            self._late.append((now_ns, late_ns))
            self.model.recorder.record("pace", "late", value=late_ns, due_ns=due_ns)

    def late_since(self, from_ns: int) -> int:
        """How late the latest action since *from_ns* was, in nanoseconds; what is below 1 ms counts as 0."""
        return max((late_ns for ran_ns, late_ns in self._late if ran_ns >= from_ns), default=0)

    def settle(self) -> None:
        """Take in everything that has come from outside until now; time does not move by itself."""
        self.catch_up()
        self.descriptors.look()

    def wait(self, until_ns: int | None, done: Callable[[], bool] | None = None) -> bool:
        """Serve until *done* (True) or until *until_ns* (whatever *done* says then).

        Raises StuckError at virtual pace where *until_ns* is None and nothing is due.
        """
        if self.factor is None:
            return self._wait_virtual(until_ns, done)
        return self._wait_paced(until_ns, done)

    def _wait_virtual(self, until_ns: int | None, done: Callable[[], bool] | None) -> bool:
        timeline = self._timeline
        while True:
            self.settle()
            if done is not None and done():
                return True
            due_ns = timeline.next_due_ns()
            if until_ns is not None and (due_ns is None or due_ns > until_ns):
                timeline.run_until(max(until_ns, timeline.now_ns))
                self.settle()
                return done is not None and done()
            if due_ns is None:
                raise StuckError("everybody waits and nothing is due")
            timeline.run_next_instant()

    def _wait_paced(self, until_ns: int | None, done: Callable[[], bool] | None) -> bool:
        timeline, descriptors = self._timeline, self.descriptors
        self.settle()
        while True:
            if done is not None and done():
                return True
            if until_ns is not None and timeline.now_ns >= until_ns:
                return False
            ready = descriptors.wait(self._wait_s(until_ns))
            self.catch_up()
            self._is_quiet = not ready
            if ready:
                descriptors.handle(ready)

    def _wait_s(self, until_ns: int | None) -> float | None:
        """How long to wait for the outside, in wall seconds."""
        due_ns = self._timeline.next_due_ns()
        if until_ns is not None and (due_ns is None or until_ns < due_ns):
            due_ns = until_ns
        wall_ns, wait_s = time.monotonic_ns(), None
        if due_ns is not None:
            wait_s = max(0.0, (self._origin_ns + self._to_wall(due_ns) - wall_ns) / 1e9)
        pending = self.model.recorder.pending
        if pending and self.on_events is not None and not self._write_if_due(wall_ns, pending):
            return _PAUSE_S if wait_s is None else min(wait_s, _PAUSE_S)
        return wait_s

    def _write_if_due(self, wall_ns: int, pending: int) -> bool:
        """Have the recording written in a pause, or when it has waited long enough; True where it was."""
        is_late = wall_ns - self._written_ns > _LATEST_NS or pending > _MOST_EVENTS
        if not (self._is_quiet or is_late) or self.on_events is None:
            return False
        self._written_ns = wall_ns
        self.on_events()
        return True
