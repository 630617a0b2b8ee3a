"""The cell's time in, the module's clock set and the news told."""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, NamedTuple

from simulator.kernel.announcement import Announcement

if TYPE_CHECKING:
    from simulator.module.module import Module

    from .settings import CellSettings


class NetworkTime(NamedTuple):
    """Time as the network tells it (3GPP TS 24.301 8.2.13, from memory): UTC, the zone in quarters of an
    hour with daylight saving in it, and how many hours of that there are.
    """

    utc: datetime
    quarters: int
    dst_hours: int


class NetworkClock:
    """Tells a registered module the time.  `told` announces it.

    *start_time* is the instant, in UTC, at which the run began: the network's clock counts from it.
    """

    def __init__(self, *, module: Module, start_time: datetime) -> None:
        self.told: Announcement[NetworkTime] = Announcement()
        self._module, self._start_time = module, start_time
        self._zone: tuple[int, int] | None = None

    def now(self, cell: CellSettings) -> datetime:
        """The cell's local time, aware of its zone."""
        zone = timezone(timedelta(minutes=15 * cell.zone_quarters))
        return self._utc_now().astimezone(zone)

    def _utc_now(self) -> datetime:
        return self._start_time + timedelta(microseconds=self._module.timeline.now_ns // 1000)

    def tell(self, cell: CellSettings) -> None:
        """The cell tells its time, where its network does that."""
        if not cell.gives_time:
            return
        utc = self._utc_now()
        self._zone = (cell.zone_quarters, cell.dst_hours)
        if self._module.clock.follows_network or self._module.profile.quirks.clock_always_follows:
            self._module.clock.set_utc(utc, cell.zone_quarters)
        self.told.announce(NetworkTime(utc, *self._zone))

    def review(self, cell: CellSettings) -> None:
        """A network whose zone has moved tells it to those who are registered."""
        if (cell.zone_quarters, cell.dst_hours) != self._zone:
            self.tell(cell)
