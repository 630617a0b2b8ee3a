"""The course of the rail under one feed and one demand: volts, means and crossings at any later instant.

A steady demand is one run of phases.  Transmit bursts are run cycle by cycle until one cycle is like
the next; from there on the last one repeats for ever.  Seconds count from the beginning of the course.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

    from .rail import Feed, Phase, Rail

_NEVER: Final = math.inf
# A cycle that ends this close to where it began repeats.
_REPEATS_V: Final = 1e-6
_MOST_CYCLES: Final = 5_000
# A crossing is only seen from a volt that is clearly on the other side.
_SLACK_V: Final = 1e-9


@dataclass(frozen=True, slots=True, kw_only=True)
class Demand:
    """What the module draws: *amps*, and *burst_a* on top of it for *on_s* in every *every_s*.

    *label* names the state that draws it, for the account of charge.
    """

    label: str
    amps: float
    burst_a: float = 0.0
    on_s: float = 0.0
    every_s: float = 0.0

    @property
    def mean_a(self) -> float:
        """The mean over a cycle of bursts."""
        return self.amps + (self.burst_a * self.on_s / self.every_s if self.burst_a else 0.0)


class Crossing(NamedTuple):
    """The rail passes *level* at *at_s*, upwards or downwards."""

    at_s: float
    level: float
    rising: bool


class _Part(NamedTuple):
    """A stretch of a phase in the phase's own seconds, which count from *origin_s* of the course."""

    phase: Phase
    origin_s: float
    from_s: float
    until_s: float


class Course:
    """The rail from now on, with *capacitor_v* inside its capacitor; bursts began *burst_age_s* ago."""

    def __init__(
        self, rail: Rail, feed: Feed, demand: Demand, capacitor_v: float, *, burst_age_s: float = 0.0
    ) -> None:
        self._starts: list[float] = []
        self._phases: list[Phase] = []
        self._repeat_s = _NEVER
        self._period_s = demand.every_s
        self._from_begin: dict[tuple[tuple[float, ...], tuple[float, ...]], Crossing | None] = {}
        if not demand.burst_a:
            for phase in rail.phases(feed, demand.amps, capacitor_v):
                self._starts.append(phase.start_s)
                self._phases.append(phase)
            return
        self._run_bursts(rail, feed, demand, capacitor_v, burst_age_s % demand.every_s)

    @staticmethod
    @lru_cache(maxsize=256)
    def of(rail: Rail, feed: Feed, demand: Demand, capacitor_v: float, burst_age_s: float = 0.0) -> Course:
        """The course, worked out once: a module's days repeat, and so do its courses."""
        return Course(rail, feed, demand, capacitor_v, burst_age_s=burst_age_s)

    def _run_bursts(self, rail: Rail, feed: Feed, demand: Demand, capacitor_v: float, age_s: float) -> None:
        now_s, in_burst = 0.0, age_s < demand.on_s
        left_s = demand.on_s - age_s if in_burst else demand.every_s - age_s
        before_v: float | None = None
        for _ in range(2 * _MOST_CYCLES):
            if in_burst and left_s == demand.on_s:
                if before_v is not None and abs(capacitor_v - before_v) < _REPEATS_V:
                    break
                before_v, self._repeat_s = capacitor_v, now_s
            amps = demand.amps + (demand.burst_a if in_burst else 0.0)
            for phase in rail.phases(feed, amps, capacitor_v):
                end_s = min(phase.end_s, left_s)
                self._starts.append(now_s + phase.start_s)
                self._phases.append(phase)
                if end_s >= left_s:
                    capacitor_v = phase.capacitor(left_s)
                    break
            now_s += left_s
            in_burst = not in_burst
            left_s = demand.on_s if in_burst else demand.every_s - demand.on_s

    def _folded(self, at_s: float) -> float:
        """The instant in what has been worked out that *at_s* is like."""
        end_s = self._repeat_s + self._period_s
        if at_s < end_s:
            return at_s
        return self._repeat_s + (at_s - self._repeat_s) % self._period_s

    def _at(self, at_s: float) -> tuple[Phase, float]:
        at_s = self._folded(at_s)
        index = max(bisect_right(self._starts, at_s) - 1, 0)
        phase = self._phases[index]
        return phase, phase.start_s + at_s - self._starts[index]

    def volts(self, at_s: float) -> float:
        """The rail at *at_s*."""
        phase, own_s = self._at(at_s)
        return phase.volts(own_s)

    def capacitor(self, at_s: float) -> float:
        """The voltage inside the capacitor at *at_s*."""
        phase, own_s = self._at(at_s)
        return phase.capacitor(own_s)

    def integral(self, until_s: float) -> float:
        """Volt-seconds of the rail from the beginning to *until_s*."""
        end_s = self._repeat_s + self._period_s
        if until_s <= end_s:
            return sum(
                part.phase.mean(part.until_s) * (part.until_s - part.from_s)
                for part in self._parts(0.0, until_s)
            )
        cycle = self.integral(end_s) - self.integral(self._repeat_s)
        whole, rest_s = divmod(until_s - self._repeat_s, self._period_s)
        return self.integral(self._repeat_s + rest_s) + whole * cycle

    def lowest(self, from_s: float, until_s: float) -> float:
        """The lowest volts between two instants."""
        end_s = self._repeat_s + self._period_s
        if until_s > end_s:
            # What was worked out, then a whole cycle or the rest of one.
            from_s = min(from_s, self._folded(from_s))
            until_s = max(from_s, end_s)
            from_s = min(from_s, self._repeat_s)
        lows = [self.volts(from_s)]
        for part in self._parts(from_s, until_s):
            lows += [part.phase.volts(part.from_s), part.phase.volts(part.until_s)]
        return min(lows)

    def first_crossing(
        self, *, after_s: float, falling: Iterable[float] = (), rising: Iterable[float] = ()
    ) -> Crossing | None:
        """The first instant at which the rail is below one of *falling* or above one of *rising*."""
        falling, rising = tuple(falling), tuple(rising)
        if not falling and not rising:
            return None
        if after_s > 0.0:
            return self._find_crossing(after_s, falling, rising)
        key = (falling, rising)
        if key not in self._from_begin:
            self._from_begin[key] = self._find_crossing(0.0, falling, rising)
        return self._from_begin[key]

    def _find_crossing(
        self, after_s: float, falling: tuple[float, ...], rising: tuple[float, ...]
    ) -> Crossing | None:
        end_s = self._repeat_s + self._period_s
        from_s = self._folded(after_s)
        shift_s = after_s - from_s
        found = self._search(from_s, end_s, falling, rising)
        if found is None and end_s < _NEVER:
            # Not before the end of what was worked out: then in the cycle that repeats, or never.
            found = self._search(self._repeat_s, end_s, falling, rising)
            shift_s += self._period_s
        if found is None:
            return None
        return found._replace(at_s=found.at_s + shift_s)

    def _search(
        self, from_s: float, until_s: float, falling: tuple[float, ...], rising: tuple[float, ...]
    ) -> Crossing | None:
        for part in self._parts(from_s, until_s):
            phase = part.phase
            begin_v = phase.volts(part.from_s)
            end_v = phase.volts(part.until_s) if part.until_s < _NEVER else phase.goes_to_v
            hits: list[Crossing] = []
            for levels, sign in ((falling, -1.0), (rising, 1.0)):
                for level in levels:
                    if (begin_v - level) * sign > _SLACK_V:  # there already, or over a step
                        hits.append(Crossing(part.from_s, level, rising=sign > 0))
                    elif (end_v - level) * sign > _SLACK_V:
                        own_s = max(phase.start_s + phase.reaches_s(level), part.from_s)
                        if own_s <= part.until_s and own_s < _NEVER:
                            hits.append(Crossing(own_s, level, rising=sign > 0))
            if hits:
                first = min(hits, key=lambda hit: hit.at_s)
                return first._replace(at_s=first.at_s + part.origin_s)
        return None

    def _parts(self, from_s: float, until_s: float) -> Iterator[_Part]:
        """Each phase, as far as it lies between two instants."""
        for number, phase in enumerate(self._phases):
            begin_s = self._starts[number]
            is_last = number + 1 == len(self._phases)
            finish_s = until_s if is_last else min(self._starts[number + 1], until_s)
            if begin_s > until_s:
                return
            if finish_s > from_s:
                origin_s = begin_s - phase.start_s
                yield _Part(phase, origin_s, max(from_s, begin_s) - origin_s, finish_s - origin_s)
