"""The module's own clock: set by a command or by the network, kept while there is supply."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from simulator.kernel.timeline import Timeline

# Where a clock that nobody has set begins (common practice, no source: the epoch of satellite time).
UNSET: Final = datetime(1980, 1, 6, tzinfo=UTC)


class ModuleClock:
    """Local time with its zone in quarters of an hour from UTC (TS 27.007 8.15).

    `follows_network` says whether the network's time sets it (8.40).
    """

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        self._at_start = UNSET
        self.quarters = 0
        self.is_set = False
        self.follows_network = True

    def now_utc(self) -> datetime:
        """The clock's present instant, in UTC."""
        return self._at_start + self._run

    def now(self) -> tuple[datetime, int]:
        """The present local time, as wall-clock fields, and its zone in quarters."""
        return self.now_utc() + timedelta(minutes=15 * self.quarters), self.quarters

    def set_utc(self, instant: datetime, quarters: int) -> None:
        """From now on it is *instant*, shown in a zone of *quarters* quarter-hours from UTC."""
        self._at_start, self.quarters, self.is_set = instant - self._run, quarters, True

    def lose(self) -> None:
        """The supply is gone: the clock begins anew."""
        self._at_start, self.quarters, self.is_set = UNSET - self._run, 0, False

    @property
    def _run(self) -> timedelta:
        """How long the run has lasted, in the whole microseconds that a datetime can hold."""
        return timedelta(microseconds=self._timeline.now_ns // 1000)
