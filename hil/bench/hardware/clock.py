"""The wall's monotonic clock as a bench's, and how late its waits ended."""

from __future__ import annotations

import time
from collections import deque
from typing import Final

from hil.bench.interface import Clock
from simulator.kernel.timeline import ns

# So many waits are looked back at.
_KEPT: Final = 4096


class WallClock(Clock):
    """Counts from its making by CLOCK_MONOTONIC, which is what the kernel stamps edges with."""

    def __init__(self) -> None:
        self.start_ns = time.monotonic_ns()
        self._late: deque[tuple[int, int]] = deque(maxlen=_KEPT)
        self._latest_ns = 0

    def now_ns(self) -> int:
        """Nanoseconds since the run began."""
        return time.monotonic_ns() - self.start_ns

    def now_s(self) -> float:
        """Seconds since the run began."""
        return self.now_ns() / 1e9

    def wait(self, seconds: float) -> None:
        """Return *seconds* later; how much later still is kept."""
        until_ns = self.now_ns() + ns(seconds)
        while (left_ns := until_ns - self.now_ns()) > 0:
            time.sleep(left_ns / 1e9)
        now_ns = self.now_ns()
        self._late.append((now_ns, now_ns - until_ns))
        self._latest_ns = max(self._latest_ns, now_ns - until_ns)

    def late_s(self, *, within_s: float | None = None) -> float:
        """How late the latest wait ended, of the run or its last *within_s* seconds."""
        if within_s is None:
            return self._latest_ns / 1e9
        since_ns = self.now_ns() - ns(within_s)
        return max((late for at_ns, late in self._late if at_ns >= since_ns), default=0) / 1e9


def uncertainty_ns() -> int:
    """How late a short wait ends on this machine now, at most of ten: what one stamp may be off by."""
    clock = WallClock()
    for _ in range(10):
        clock.wait(0.001)
    return round(clock.late_s() * 1e9)
