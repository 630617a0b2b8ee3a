"""Quantities that a suite measures: recorded with unit and limits, judged, and refused on a late run."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .errors import LateRunError, ProductError
from .lateness import allowed_late_s

if TYPE_CHECKING:
    from .bench.interface import Bench


class OutOfLimitsError(ProductError, AssertionError):
    """A measured quantity is outside its limits."""

    def __init__(self, *, name: str, value: float, unit: str, low: float | None, high: float | None) -> None:
        self.name, self.value, self.unit, self.low, self.high = name, value, unit, low, high
        limits = f"{'' if low is None else f'{low:g} <= '}{name}{'' if high is None else f' <= {high:g}'}"
        super().__init__(f"{name} is {value:.6g} {unit}, expected {limits} {unit}")


class Measure:
    """Records quantities on the lane of one test."""

    def __init__(self, bench: Bench, lane: str) -> None:
        self._bench, self._lane = bench, lane

    def __call__(
        self,
        name: str,
        value: float,
        unit: str,
        *,
        low: float | None = None,
        high: float | None = None,
        ended_s: float | None = None,
    ) -> float:
        """Record *value* and judge it; raises OutOfLimitsError.

        A duration (*unit* s) has ended at *ended_s* of the bench's clock, or now: raises LateRunError where
        the run was late since it began.
        """
        self._bench.note(self._lane, "quantity", name=name, value=value, unit=unit, low=low, high=high)
        if unit == "s":
            clock, allowed_s = self._bench.clock, allowed_late_s(value)
            since_end_s = 0.0 if ended_s is None else clock.now_s() - ended_s
            late_s = clock.late_s(within_s=abs(value) + since_end_s)
            if late_s > allowed_s:
                raise LateRunError(late_s=late_s, allowed_s=allowed_s)
        if (low is not None and value < low) or (high is not None and value > high):
            raise OutOfLimitsError(name=name, value=value, unit=unit, low=low, high=high)
        return value
