"""How simulated time relates to wall time, and the only loop that waits.

*virtual*: time jumps to the next deadline once everything has been settled; *real* or a factor:
the timeline follows the wall clock, and how late each of its actions ran is kept.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

from .descriptors import Descriptors

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model

# An action this late or later is recorded as late: far above what an idle machine shows, and below
# what a script can notice.
LATE_NS: Final = 1_000_000

# Paced runs write their recording away this often, in wall seconds, while there is something to write.
_WRITE_EVERY_S: Final = 0.05
_WRITE_AT_ONCE: Final = 4000


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
        self.on_events: Callable[[], None] | None = None
        self._timeline = model.timeline
        self._origin_ns = 0
        self._written_at = 0.0
        self.start_clock()

    def start_clock(self) -> None:
        """The model's present instant is now."""
        self._origin_ns = time.monotonic_ns() - self._to_wall(self._timeline.now_ns)

    def _to_wall(self, model_ns: int) -> int:
        return round(model_ns / self.factor) if self.factor else model_ns

    @property
    def is_virtual(self) -> bool:
        """Whether time jumps."""
        return self.factor is None

    def catch_up(self) -> None:
        """At a pace: bring the model to the present, and note how late its actions were."""
        if self.factor is None:
            return
        timeline = self._timeline
        while True:
            now_ns = round((time.monotonic_ns() - self._origin_ns) * self.factor)
            due_ns = timeline.next_due_ns()
            if due_ns is None or due_ns > now_ns:
                timeline.run_until(max(now_ns, timeline.now_ns))
                return
            timeline.run_next_instant()
            late_ns = self._to_wall(now_ns - due_ns)
            self.latest_ns = max(self.latest_ns, late_ns)
            if late_ns >= LATE_NS:
                self.model.recorder.record("pace", "late", value=late_ns, due_ns=due_ns)

    def settle(self) -> None:
        """Take in everything that has come from outside until now; time does not move by itself."""
        self.catch_up()
        descriptors = self.descriptors
        ready = descriptors.wait(0)
        while ready[0] or ready[1]:
            descriptors.handle(ready)
            ready = descriptors.wait(0)

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
        while True:
            self.catch_up()
            if done is not None and done():
                return True
            if until_ns is not None and timeline.now_ns >= until_ns:
                return False
            ready = descriptors.wait(self._wait_s(until_ns))
            self.catch_up()
            descriptors.handle(ready)

    def _wait_s(self, until_ns: int | None) -> float | None:
        """How long to wait for the outside, in wall seconds."""
        due_ns = self._timeline.next_due_ns()
        if until_ns is not None and (due_ns is None or until_ns < due_ns):
            due_ns = until_ns
        wait_s = None
        if due_ns is not None:
            wait_s = max(0.0, (self._origin_ns + self._to_wall(due_ns) - time.monotonic_ns()) / 1e9)
        if self._write_if_due() and (wait_s is None or wait_s > _WRITE_EVERY_S):
            wait_s = _WRITE_EVERY_S
        return wait_s

    def _write_if_due(self) -> bool:
        """Have the recording written now and then; True while something waits to be written."""
        pending = self.model.recorder.pending
        if not pending or self.on_events is None:
            return False
        now = time.monotonic()
        if pending < _WRITE_AT_ONCE and now - self._written_at < _WRITE_EVERY_S:
            return True
        self._written_at = now
        self.on_events()
        return False
