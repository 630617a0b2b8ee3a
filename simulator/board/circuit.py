"""A circuit of resistances, sources, diodes and transistors in, the voltage of each net out.

Nodal analysis with Newton's method on the equations of the junctions, as circuit simulators do it: the
transport form of Ebers and Moll for the bipolar transistor, Shichman and Hodges for the field-effect
transistor, Shockley for the diode.  Knows no wiring file and no logic level.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import lru_cache
from typing import TYPE_CHECKING, Final, TypeAlias

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from numpy.typing import NDArray

    _Array: TypeAlias = NDArray[np.float64]

GROUND: Final = "0"

# k T / q at 27 degrees Celsius, the temperature at which transistor parameters are stated.
THERMAL_V: Final = 1.380649e-23 * 300.15 / 1.602176634e-19

# A junction and a net never conduct less than this: it keeps the equations solvable where a net floats.
LEAST_SIEMENS: Final = 1e-12

_MOST_STEPS: Final = 200
_CLOSE_V: Final = 1e-9
# Operating points that are kept: one board starts in the same few again and again.
_KEPT: Final = 256


@dataclass(frozen=True, slots=True)
class Resistor:
    """*ohm* (above 0) between nets *one* and *other*."""

    one: str
    other: str
    ohm: float


@dataclass(frozen=True, slots=True)
class Drive:
    """A source of *volts* behind *ohm* (above 0) on *net*."""

    net: str
    volts: float
    ohm: float


@dataclass(frozen=True, slots=True)
class Load:
    """A current of *amps* drawn from *net* to ground."""

    net: str
    amps: float


@dataclass(frozen=True, slots=True)
class Diode:
    """A junction from *anode* to *cathode*: *saturation_a* and the emission coefficient."""

    anode: str
    cathode: str
    saturation_a: float = 1e-14
    emission: float = 1.0


@dataclass(frozen=True, slots=True)
class NpnTransistor:
    """A bipolar transistor: *saturation_a*, and its current gains forward and in reverse."""

    collector: str
    base: str
    emitter: str
    saturation_a: float = 1e-14
    forward_gain: float = 200.0
    reverse_gain: float = 2.0


@dataclass(frozen=True, slots=True)
class NmosTransistor:
    """An enhancement transistor with its body at the source: threshold in V, transconductance in A/V2."""

    drain: str
    gate: str
    source: str
    threshold_v: float = 1.0
    transconductance: float = 0.05
    saturation_a: float = 1e-14


Element: TypeAlias = Resistor | Drive | Load | Diode | NpnTransistor | NmosTransistor


class NoSolutionError(ArithmeticError):
    """Newton's method found no operating point."""


@dataclass(frozen=True, slots=True)
class OperatingPoint:
    """*volts* of every net, and the resistance in *ohms* that each shows towards all that holds it."""

    volts: Mapping[str, float]
    ohms: Mapping[str, float]


@dataclass(slots=True)
class Circuit:
    """Elements between named nets; ground is `GROUND`; *held* nets have their voltage whatever flows."""

    elements: Sequence[Element]
    held: Mapping[str, float] = field(default_factory=dict)

    def solve(self, guess: Mapping[str, float] | None = None) -> OperatingPoint:
        """The operating point; *guess* is where to begin.  Raises NoSolutionError where there is none."""
        return _solved(tuple(self.elements), tuple(self.held.items()), tuple((guess or {}).items()))


# The last bits of a solution depend on the guess: with it in the key, what is kept is what would be found.
@lru_cache(maxsize=_KEPT)
def _solved(
    elements: tuple[Element, ...], held: tuple[tuple[str, float], ...], guess: tuple[tuple[str, float], ...]
) -> OperatingPoint:
    return _Solver(Circuit(elements, dict(held))).solve(dict(guess))


def _nets(element: Element) -> tuple[str, ...]:
    match element:
        case Resistor():
            return (element.one, element.other)
        case Drive() | Load():
            return (element.net,)
        case Diode():
            return (element.anode, element.cathode)
        case NpnTransistor():
            return (element.collector, element.base, element.emitter)
        case NmosTransistor():
            return (element.drain, element.gate, element.source)


def _junction(volts: float, saturation_a: float, thermal_v: float) -> tuple[float, float]:
    """Current and conductance of a junction; far forward it goes on as a straight line."""
    ratio = min(volts / thermal_v, 80.0)
    rise = math.exp(ratio)
    conductance = saturation_a / thermal_v * rise
    current = saturation_a * (rise - 1.0) + conductance * (volts - ratio * thermal_v)
    return current + LEAST_SIEMENS * volts, conductance + LEAST_SIEMENS


def _limited(volts: float, before: float, saturation_a: float, thermal_v: float) -> float:
    """A junction's next voltage, held back where the exponential would run away (L. Nagel, 1975)."""
    critical = thermal_v * math.log(thermal_v / (math.sqrt(2.0) * saturation_a))
    if volts <= critical or abs(volts - before) <= 2.0 * thermal_v:
        return volts
    if before <= 0.0:
        return thermal_v * math.log(max(volts, thermal_v) / thermal_v) if volts > 0.0 else volts
    change = 1.0 + (volts - before) / thermal_v
    return before + thermal_v * math.log(change) if change > 0.0 else critical


class _Solver:
    """One run of Newton's method."""

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._held = {GROUND: 0.0, **circuit.held}
        nets = dict.fromkeys(net for element in circuit.elements for net in _nets(element))
        self._index = {net: number for number, net in enumerate(net for net in nets if net not in self._held)}
        # The linear elements never change, so they are laid down once.
        size = len(self._index)
        self._linear = np.eye(size) * LEAST_SIEMENS
        self._fixed = np.zeros(size)
        self._matrix, self._right = self._linear, self._fixed
        self._junctions: list[Element] = []
        for element in circuit.elements:
            match element:
                case Resistor():
                    self._conduct(element.one, element.other, 1.0 / element.ohm)
                case Drive():
                    self._conduct(element.net, GROUND, 1.0 / element.ohm)
                    self._inject(element.net, element.volts / element.ohm)
                case Load():
                    self._inject(element.net, -element.amps)
                case _:
                    self._junctions.append(element)
        self._seen: dict[tuple[int, int], float] = {}
        self._limiting = False

    def solve(self, guess: Mapping[str, float]) -> OperatingPoint:
        """Iterate until no voltage moves."""
        volts: _Array = np.array([guess.get(net, 0.0) for net in self._index], dtype=np.float64)
        for _ in range(_MOST_STEPS):
            self._matrix, self._right = self._linear.copy(), self._fixed.copy()
            self._limiting = False
            for number, element in enumerate(self._junctions):
                self._lay(number, element, volts)
            after: _Array = np.linalg.solve(self._matrix, self._right).astype(np.float64, copy=False)
            moved = float(np.max(np.abs(after - volts), initial=0.0))
            volts = after
            if moved < _CLOSE_V and not self._limiting:
                return self._point(volts)
            if not self._junctions:
                return self._point(volts)
        raise NoSolutionError(f"no operating point within {_MOST_STEPS} steps")

    def _point(self, volts: _Array) -> OperatingPoint:
        ohms = np.linalg.inv(self._matrix).diagonal()
        return OperatingPoint(
            volts={**self._held, **{net: float(volts[at]) for net, at in self._index.items()}},
            ohms={
                **dict.fromkeys(self._held, 0.0),
                **{net: float(ohms[at]) for net, at in self._index.items()},
            },
        )

    def _volts(self, net: str, volts: _Array) -> float:
        at = self._index.get(net)
        return self._held[net] if at is None else float(volts[at])

    # -- how elements enter the equations --------------------------------------------

    def _conduct(self, one: str, other: str, siemens: float) -> None:
        self._transfer(one, other, one, other, siemens)

    def _transfer(self, out: str, into: str, plus: str, minus: str, siemens: float) -> None:
        """A current of siemens x (V(plus) - V(minus)) that leaves *out* and enters *into*."""
        for row, row_sign in ((out, 1.0), (into, -1.0)):
            at = self._index.get(row)
            if at is None:
                continue
            for column, column_sign in ((plus, 1.0), (minus, -1.0)):
                amount = row_sign * column_sign * siemens
                where = self._index.get(column)
                if where is None:
                    self._right[at] -= amount * self._held[column]
                else:
                    self._matrix[at, where] += amount

    def _inject(self, net: str, amps: float) -> None:
        at = self._index.get(net)
        if at is not None:
            self._right[at] += amps

    def _across(self, key: tuple[int, int], volts: float, saturation_a: float, thermal_v: float) -> float:
        limited = _limited(volts, self._seen.get(key, 0.0), saturation_a, thermal_v)
        self._seen[key] = limited
        self._limiting = self._limiting or abs(limited - volts) > _CLOSE_V
        return limited

    def _lay(self, number: int, element: Element, volts: _Array) -> None:
        match element:
            case Diode():
                self._lay_junction((number, 0), element, volts)
            case NpnTransistor():
                self._lay_npn(number, element, volts)
            case NmosTransistor():
                self._lay_nmos(element, volts)
                body = Diode(element.source, element.drain, element.saturation_a)
                self._lay_junction((number, 0), body, volts)

    def _lay_junction(self, key: tuple[int, int], diode: Diode, volts: _Array) -> None:
        thermal_v = diode.emission * THERMAL_V
        across = self._volts(diode.anode, volts) - self._volts(diode.cathode, volts)
        across = self._across(key, across, diode.saturation_a, thermal_v)
        amps, siemens = _junction(across, diode.saturation_a, thermal_v)
        self._conduct(diode.anode, diode.cathode, siemens)
        self._inject(diode.anode, siemens * across - amps)
        self._inject(diode.cathode, amps - siemens * across)

    def _lay_npn(self, number: int, part: NpnTransistor, volts: _Array) -> None:
        c, b, e = part.collector, part.base, part.emitter
        base_v = self._volts(b, volts)
        forward_v = self._across((number, 0), base_v - self._volts(e, volts), part.saturation_a, THERMAL_V)
        reverse_v = self._across((number, 1), base_v - self._volts(c, volts), part.saturation_a, THERMAL_V)
        forward_a, forward_s = _junction(forward_v, part.saturation_a, THERMAL_V)
        reverse_a, reverse_s = _junction(reverse_v, part.saturation_a, THERMAL_V)
        # Collector to emitter flows the transport current; each junction takes its share from the base.
        self._transfer(c, e, b, e, forward_s)
        self._transfer(c, e, b, c, -reverse_s)
        transport = forward_a - forward_s * forward_v - reverse_a + reverse_s * reverse_v
        self._inject(c, -transport)
        self._inject(e, transport)
        for other, amps, siemens, across, gain in (
            (e, forward_a, forward_s, forward_v, part.forward_gain),
            (c, reverse_a, reverse_s, reverse_v, part.reverse_gain),
        ):
            self._conduct(b, other, siemens / gain)
            rest = (amps - siemens * across) / gain
            self._inject(b, -rest)
            self._inject(other, rest)

    def _lay_nmos(self, part: NmosTransistor, volts: _Array) -> None:
        drain, source, gate_v = part.drain, part.source, self._volts(part.gate, volts)
        if self._volts(drain, volts) < self._volts(source, volts):
            drain, source = source, drain  # the channel knows no direction
        source_v = self._volts(source, volts)
        above, across = gate_v - source_v - part.threshold_v, self._volts(drain, volts) - source_v
        k = part.transconductance
        if above <= 0.0:
            self._conduct(drain, source, LEAST_SIEMENS)
            return
        if across < above:
            amps = k * (above - across / 2.0) * across
            gate_s, drain_s = k * across, k * (above - across)
        else:
            amps = k / 2.0 * above * above
            gate_s, drain_s = k * above, 0.0
        drain_s += LEAST_SIEMENS
        self._transfer(drain, source, part.gate, source, gate_s)
        self._conduct(drain, source, drain_s)
        rest = amps - gate_s * (gate_v - source_v) - drain_s * across
        self._inject(drain, -rest)
        self._inject(source, rest)
