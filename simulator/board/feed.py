"""The way from the source at the header to the module's rail: a wiring in, what feeds the rail out.

One topology: source, then cable, regulator and whatever resistance lies in line, then the rail with its
capacitor.  Knows no time.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final

from .circuit import THERMAL_V
from .parts import Cable, Capacitor, Diode, Jumper, Regulator, Resistor, SlideSwitch
from .rail import Feed, Rail

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from .wiring import Wiring

# What a rail has at least, where the wiring names no capacitor (common practice, no source).
_LEAST_FARAD: Final = 1e-6
_LEAST_ESR_OHM: Final = 0.01


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyPath:
    """What lies between source and module: ohms before and behind the regulator, drops of diodes.

    *is_open* where no closed path leads to the rail.
    """

    before_ohm: float = 0.0
    behind_ohm: float = 0.0
    drop_v: float = 0.0
    regulator: Regulator | None = None
    is_open: bool = False
    farad: float = _LEAST_FARAD
    esr_ohm: float = _LEAST_ESR_OHM
    parts: tuple[str, ...] = field(default=())

    @property
    def has_regulator(self) -> bool:
        """Whether a regulator stands between."""
        return self.regulator is not None

    @property
    def lockout_v(self) -> float:
        """Below this at its input the regulator switches off."""
        return self.regulator.lockout_v if self.regulator else 0.0

    @property
    def restart_v(self) -> float:
        """Above this it comes back."""
        return self.regulator.lockout_v + self.regulator.hysteresis_v if self.regulator else 0.0

    @property
    def start_s(self) -> float:
        """How long it takes to come back."""
        return self.regulator.start_s if self.regulator else 0.0

    def rail(self) -> Rail:
        """The rail with its capacitor."""
        return Rail(farad=self.farad, esr_ohm=self.esr_ohm)

    def feed(self, *, volts: float, ohm: float, limit_a: float, on: bool) -> Feed:
        """What feeds the rail from a source of *volts* behind *ohm*."""
        regulator = self.regulator
        on = on and not self.is_open
        if regulator is None:
            return Feed(volts=volts - self.drop_v, ohm=ohm + self.before_ohm, limit_a=limit_a, on=on)
        return Feed(
            volts=volts,
            ohm=ohm + self.before_ohm,
            limit_a=min(limit_a, regulator.limit_a),
            regulated_v=regulator.volts,
            dropout_v=regulator.dropout_v + self.drop_v,
            output_ohm=regulator.ohm + self.behind_ohm,
            on=on,
            bleed_ohm=regulator.discharge_ohm,
        )

    def lockout_rail_v(self, feed: Feed) -> float:
        """The rail at which the regulator's input is at its lock-out; minus infinity where it never is."""
        if self.regulator is None or feed.ohm <= 0.0:
            return -math.inf
        amps = (feed.volts - self.regulator.lockout_v) / feed.ohm
        if amps >= feed.limit_a:
            return -math.inf
        in_dropout_v = feed.volts - feed.dropout_v - (feed.ohm + feed.output_ohm) * amps
        return min(in_dropout_v, feed.regulated_v - feed.output_ohm * amps)


def supply_path(wiring: Wiring, positions: Mapping[str, str]) -> SupplyPath:
    """Follow the supply of *wiring* from the module's pin back to the source.

    Raises ValueError for two regulators in line or two capacitors on the rail: enter what they come to.
    """
    rail_net = wiring.module.get("SUPPLY")
    sources = {name for name, rail in wiring.rails.items() if rail.powered_by == "supply"}
    if rail_net is None or not sources:
        return SupplyPath(is_open=True)
    steps: dict[str, list[tuple[str, str]]] = {}
    for name, one, other in _supply_steps(wiring, positions):
        steps.setdefault(one, []).append((name, other))
        steps.setdefault(other, []).append((name, one))
    came_by: dict[str, tuple[str, str] | None] = {rail_net: None}
    queue = [rail_net]
    for net in queue:
        for name, other in steps.get(net, ()):
            if other not in came_by:
                came_by[other] = (name, net)
                queue.append(other)
    found = next((net for net in queue if net in sources), None)
    farad, esr_ohm = _rail_capacitor(wiring, positions)
    if found is None:
        return SupplyPath(is_open=True, farad=farad, esr_ohm=esr_ohm)
    names: list[str] = []
    step = came_by[found]
    while step is not None:
        name, net = step
        names.append(name)
        step = came_by[net]
    return replace(_along(wiring, names), farad=farad, esr_ohm=esr_ohm)


def _along(wiring: Wiring, names: list[str]) -> SupplyPath:
    before_ohm = behind_ohm = drop_v = 0.0
    regulator: Regulator | None = None
    for name in names:
        part = wiring.parts[name]
        if isinstance(part, Regulator):
            if regulator is not None:
                raise ValueError(f"parts.{name}: a second regulator in line; enter the one that matters")
            regulator = part
        elif isinstance(part, Cable | Resistor):
            if regulator is None:
                before_ohm += part.ohm
            else:
                behind_ohm += part.ohm
        elif isinstance(part, Diode):
            # The drop of a diode hardly moves with its current: that at 1 A stands for all of it.
            drop_v += part.emission * THERMAL_V * math.log1p(1.0 / part.saturation_a)
    return SupplyPath(
        before_ohm=before_ohm,
        behind_ohm=behind_ohm,
        drop_v=drop_v,
        regulator=regulator,
        parts=tuple(names),
    )


def _supply_steps(wiring: Wiring, positions: Mapping[str, str]) -> Iterator[tuple[str, str, str]]:
    for name, part in wiring.parts.items():
        match part:
            case Cable() | Resistor():
                yield name, *part.between
            case Diode():
                yield name, part.anode, part.cathode
            case Regulator():
                yield name, part.input, part.output
            case SlideSwitch() if positions.get(name, part.default) == "closed":
                yield name, *part.between
            case Jumper():
                yield name, part.common, part.positions[positions.get(name, part.default)]


def _rail_capacitor(wiring: Wiring, positions: Mapping[str, str]) -> tuple[float, float]:
    names = wiring.joined(positions)
    rail = names[wiring.module["SUPPLY"]]
    found = [
        (name, part)
        for name, part in wiring.parts.items()
        if isinstance(part, Capacitor) and names[part.net] == rail
    ]
    if len(found) > 1:
        raise ValueError(
            f"parts.{found[1][0]}: a second capacitor on the module's supply; enter one that stands for both"
        )
    if not found:
        return _LEAST_FARAD, _LEAST_ESR_OHM
    return found[0][1].farad, found[0][1].esr_ohm
