"""A quantity that differs from unit to unit and from run to run, and the draws from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Self

from pydantic import BeforeValidator, model_validator

from simulator.kernel.section import NotNegative, Section
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    import random

    from simulator.kernel.randomness import Randomness

# Where a file gives only the range, the spread is derived from it.
_UNIT_SHARE = 6
_RUN_SHARE = 4

# A normal draw outside [min, max] is drawn again; a range far out in the tail must not loop for ever.
_TRIES = 1000


class Spread(Section):
    """Seconds (or another unit, as the key says): *typ* with limits, and what a script may rely on.

    Units are normal about *typ* with *unit_sd*, runs are normal about their unit's value with
    *run_sd*; both are drawn again until inside [*min*, *max*].  Where no deviation is given,
    *unit_sd* is a sixth of the range and *run_sd* a quarter of that.  *guaranteed* is the figure in
    the module's manual: the press that always works, the wait after which it is always done.
    """

    typ: NotNegative
    min: NotNegative
    max: NotNegative
    guaranteed: NotNegative | None = None
    unit_sd: NotNegative | None = None
    run_sd: NotNegative | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.min <= self.typ <= self.max:
            raise ValueError(f"need min <= typ <= max, found {self.min:g}, {self.typ:g}, {self.max:g}")
        return self

    @property
    def relied_on(self) -> float:
        """What a script may rely on: *guaranteed*, or the largest value where none is given."""
        return self.max if self.guaranteed is None else self.guaranteed

    @property
    def unit_deviation(self) -> float:
        """Standard deviation from unit to unit."""
        return (self.max - self.min) / _UNIT_SHARE if self.unit_sd is None else self.unit_sd

    @property
    def run_deviation(self) -> float:
        """Standard deviation from run to run of one unit."""
        return self.unit_deviation / _RUN_SHARE if self.run_sd is None else self.run_sd

    def draw(self, stream: random.Random, *, about: float, deviation: float) -> float:
        """One value about *about*, inside the limits."""
        if self.min == self.max or deviation == 0:
            return min(max(about, self.min), self.max)
        for _ in range(_TRIES):
            value = stream.gauss(about, deviation)
            if self.min <= value <= self.max:
                return value
        return min(max(about, self.min), self.max)


def _spread_from_number(value: object) -> object:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return {"typ": value, "min": value, "max": value}
    return value


# A plain number in a file is a quantity that never varies.
SpreadOrNumber = Annotated[Spread, BeforeValidator(_spread_from_number)]


class Draws:
    """The values of one unit: its own place in each spread is drawn once, each occurrence about it."""

    def __init__(self, randomness: Randomness) -> None:
        self._randomness = randomness
        self._unit_values: dict[str, float] = {}

    def draw(self, name: str, spread: Spread) -> float:
        """The value of this occurrence of *name*, in the spread's own unit."""
        unit_value = self._unit_values.get(name)
        if unit_value is None:
            stream = self._randomness.stream(f"unit/{name}")
            unit_value = spread.draw(stream, about=spread.typ, deviation=spread.unit_deviation)
            self._unit_values[name] = unit_value
        stream = self._randomness.stream(f"run/{name}")
        return spread.draw(stream, about=unit_value, deviation=spread.run_deviation)

    def stream(self, name: str) -> random.Random:
        """The stream of chance of *name*, for what is no spread."""
        return self._randomness.stream(name)

    def draw_ns(self, name: str, spread: Spread) -> int:
        """As `draw`, for a spread in seconds, in nanoseconds."""
        return ns(self.draw(name, spread))
