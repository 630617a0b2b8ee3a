"""The model's clock as a bench's."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.bench.interface import Clock
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from simulator.edges.pacing import Driver


class SimulatedClock(Clock):
    """The model's clock."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    def now_ns(self) -> int:
        """Nanoseconds since the run began."""
        self._driver.catch_up()
        return self._driver.model.timeline.now_ns

    def now_s(self) -> float:
        """Seconds since the run began."""
        return self.now_ns() / 1e9

    def wait(self, seconds: float) -> None:
        """Return *seconds* later."""
        self._driver.wait(self.now_ns() + ns(seconds))

    def late_s(self, *, within_s: float | None = None) -> float:
        """How late the latest action was, of the run or its last *within_s* seconds; 0 at virtual pace."""
        if within_s is None:
            return self._driver.latest_ns / 1e9
        return self._driver.late_since(self.now_ns() - ns(within_s)) / 1e9
