"""The module's rail over time: what feeds it and what draws from it in, volts at any instant out.

Between changes every part is linear in pieces, so the rail follows one exponential after the other:
volts and the instants of thresholds come in closed form, the step over the capacitor's series
resistance included.  Seconds are floats here, counted from the latest change.  Knows no timeline.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

_LEAST_OHM: Final = 1e-3
_NEVER: Final = math.inf
# Below this a load of constant current cannot keep its current: it falls with the voltage.
_LOAD_FADES_V: Final = 0.5
# Two volts closer than this are the same: far below what any threshold is known to.
_SAME_V: Final = 1e-9
# The rail changes from one piece to the next a few times at most.
_MOST_PHASES: Final = 64


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """What stands between the source and the capacitor: *volts* behind *ohm*, at most *limit_a*.

    With a regulator, *regulated_v* is what it holds behind *output_ohm* as long as its input is
    *dropout_v* above that.  A feed that is off gives nothing; *bleed_ohm* is what then discharges the rail.
    """

    volts: float
    ohm: float
    limit_a: float
    regulated_v: float = math.inf
    dropout_v: float = 0.0
    output_ohm: float = 0.0
    on: bool = True
    bleed_ohm: float | None = None

    def input_v(self, amps: float) -> float:
        """The voltage at the regulator's input while *amps* flow."""
        return self.volts - self.ohm * amps


class _Line(NamedTuple):
    """amps = offset_a - siemens * volts."""

    offset_a: float
    siemens: float

    def amps(self, volts: float) -> float:
        return self.offset_a - self.siemens * volts

    def meets(self, other: _Line) -> float | None:
        if self.siemens == other.siemens:
            return None
        return (self.offset_a - other.offset_a) / (self.siemens - other.siemens)


class _Piece(NamedTuple):
    """What flows into the rail's net between two voltages: offset_a - siemens * volts."""

    low_v: float
    high_v: float
    offset_a: float
    siemens: float


class Phase(NamedTuple):
    """The rail from *start_s* on: it starts at *start_v*, tends to *end_v* and gets there with *rate* per s.

    A rate of 0 is a ramp: then *end_v* is volts per second.
    """

    start_s: float
    end_s: float
    start_v: float
    end_v: float
    rate: float
    capacitor_v: float
    capacitor_end_v: float

    def volts(self, at_s: float) -> float:
        """The rail at *at_s*."""
        return self._value(at_s, self.start_v, self.end_v)

    def capacitor(self, at_s: float) -> float:
        """The voltage inside the capacitor at *at_s*."""
        return self._value(at_s, self.capacitor_v, self.capacitor_end_v)

    def _value(self, at_s: float, start: float, end: float) -> float:
        passed_s = at_s - self.start_s
        if self.rate == 0.0:
            return start + end * passed_s
        return end + (start - end) * math.exp(-self.rate * passed_s)

    @property
    def goes_to_v(self) -> float:
        """Where the rail would get to without an end: infinite, with its sign, for a ramp."""
        if self.rate:
            return self.end_v
        return math.copysign(_NEVER, self.end_v) if self.end_v else self.start_v

    def reaches_s(self, volts: float) -> float:
        """When the rail is at *volts*, from the start of the phase; infinite where it never is."""
        if self.rate == 0.0:
            if self.end_v == 0.0:
                return 0.0 if volts == self.start_v else _NEVER
            passed_s = (volts - self.start_v) / self.end_v
            return passed_s if passed_s >= 0.0 else _NEVER
        away, left = self.start_v - self.end_v, volts - self.end_v
        if away == 0.0:
            return 0.0 if left == 0.0 else _NEVER
        share = left / away
        return -math.log(share) / self.rate if 0.0 < share <= 1.0 else _NEVER

    def mean(self, until_s: float) -> float:
        """The mean of the rail from the start of the phase to *until_s*."""
        span_s = until_s - self.start_s
        if span_s <= 0.0:
            return self.start_v
        if self.rate == 0.0:
            return self.start_v + self.end_v * span_s / 2
        fall = -math.expm1(-self.rate * span_s) / (self.rate * span_s)
        return self.end_v + (self.start_v - self.end_v) * fall


@dataclass(frozen=True, slots=True, kw_only=True)
class Rail:
    """The rail with its capacitor of *farad* behind *esr_ohm*, for one feed and one load at a time."""

    farad: float
    esr_ohm: float

    def phases(self, feed: Feed, load_a: float, capacitor_v: float) -> Iterator[Phase]:
        """What the rail does from now on, *capacitor_v* inside its capacitor; the last phase has no end."""
        pieces = _pieces(feed, load_a)
        esr_s, farad = 1 / max(self.esr_ohm, _LEAST_OHM), self.farad
        now_s = 0.0
        piece = self._piece_at(pieces, capacitor_v)
        for _ in range(_MOST_PHASES):
            total_s = piece.siemens + esr_s
            start_v = (piece.offset_a + capacitor_v * esr_s) / total_s
            if piece.siemens > 0.0:
                end_v = capacitor_end_v = piece.offset_a / piece.siemens
                rate = piece.siemens * esr_s / total_s / farad
            else:
                end_v = capacitor_end_v = piece.offset_a / farad
                rate = 0.0
            phase = Phase(now_s, _NEVER, start_v, end_v, rate, capacitor_v, capacitor_end_v)
            rising = end_v > start_v if rate else end_v > 0.0
            bound_v = piece.high_v if rising else piece.low_v
            passed_s = phase.reaches_s(bound_v) if math.isfinite(bound_v) else _NEVER
            if passed_s == _NEVER or abs(end_v - start_v) < _SAME_V:
                yield phase
                return
            now_s += passed_s
            yield phase._replace(end_s=now_s)
            capacitor_v = phase.capacitor(now_s)
            index = pieces.index(piece) + (1 if rising else -1)
            if not 0 <= index < len(pieces):
                return
            piece = pieces[index]
        yield phase  # pieces without end: the last one stands for what follows

    def _piece_at(self, pieces: tuple[_Piece, ...], capacitor_v: float) -> _Piece:
        """The piece in which the net's currents sum to nothing; on a boundary, the one it moves into."""
        esr_s = 1 / max(self.esr_ohm, _LEAST_OHM)
        best, best_miss = pieces[0], math.inf
        for piece in pieces:
            volts = (piece.offset_a + capacitor_v * esr_s) / (piece.siemens + esr_s)
            miss = max(piece.low_v - volts, volts - piece.high_v, 0.0)
            if miss <= _SAME_V:
                rises = piece.offset_a - piece.siemens * volts > 0.0
                at_high = abs(volts - piece.high_v) <= _SAME_V
                at_low = abs(volts - piece.low_v) <= _SAME_V
                if (at_high and rises) or (at_low and not rises):
                    best, best_miss = (piece, _SAME_V) if best_miss > _SAME_V else (best, best_miss)
                    continue
                return piece
            if miss < best_miss:
                best, best_miss = piece, miss
        return best


@lru_cache(maxsize=256)
def _pieces(feed: Feed, load_a: float) -> tuple[_Piece, ...]:
    """What feed and load together put into the rail's net, piece by piece from low to high voltage."""
    lines = [_Line(0.0, 0.0)]
    if feed.on:
        in_dropout_ohm = max(feed.ohm + feed.output_ohm, _LEAST_OHM)
        lines.append(_Line((feed.volts - feed.dropout_v) / in_dropout_ohm, 1 / in_dropout_ohm))
        lines.append(_Line(feed.limit_a, 0.0))
        if math.isfinite(feed.regulated_v):
            ohm = max(feed.output_ohm, _LEAST_OHM)
            lines.append(_Line(feed.regulated_v / ohm, 1 / ohm))
    bounds = {0.0, _LOAD_FADES_V}
    for number, line in enumerate(lines):
        for other in lines[number + 1 :]:
            volts = line.meets(other)
            if volts is not None:
                bounds.add(volts)
    edges = [-math.inf, *sorted(bounds), math.inf]
    merged: list[_Piece] = []
    for low_v, high_v in pairwise(edges):
        middle_v = _middle(low_v, high_v)
        given = _given(lines, middle_v)
        if middle_v <= 0.0:
            drawn = _Line(0.0, 0.0)
        elif middle_v < _LOAD_FADES_V:
            drawn = _Line(0.0, -load_a / _LOAD_FADES_V)
        else:
            drawn = _Line(load_a, 0.0)
        bleed_s = 1 / feed.bleed_ohm if feed.bleed_ohm and not feed.on else 0.0
        offset_a = given.offset_a - drawn.offset_a
        siemens = given.siemens - drawn.siemens + bleed_s
        last = merged[-1] if merged else None
        if last is not None and (last.offset_a, last.siemens) == (offset_a, siemens):
            merged[-1] = last._replace(high_v=high_v)
        else:
            merged.append(_Piece(low_v, high_v, offset_a, siemens))
    return tuple(merged)


def _given(lines: list[_Line], volts: float) -> _Line:
    """The least of what limits the feed, but never less than nothing: it takes no current back."""
    nothing, *limiting = lines
    if not limiting:
        return nothing
    least = min(limiting, key=lambda line: line.amps(volts))
    return least if least.amps(volts) > 0.0 else nothing


def _middle(low_v: float, high_v: float) -> float:
    if math.isinf(low_v):
        return high_v - 1.0
    return low_v + 1.0 if math.isinf(high_v) else (low_v + high_v) / 2
