"""A bounded wait on the bench's clock, counted in whole nanoseconds.

With float seconds, what is left of a wait can be more than nothing and less than the clock can wait.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from .bench.interface import Clock


class Deadline:
    """The instant *seconds* from now on *clock*."""

    def __init__(self, clock: Clock, seconds: float) -> None:
        self._clock = clock
        self._until_ns = clock.now_ns() + ns(seconds)

    @property
    def left_s(self) -> float:
        """What is left, in seconds; 0 once the instant has come, else at least a nanosecond."""
        return max(self._until_ns - self._clock.now_ns(), 0) / 1e9

    @property
    def has_passed(self) -> bool:
        """Whether the instant has come."""
        return self._clock.now_ns() >= self._until_ns
