"""A wiring with its switches set in, circuits and their solutions out.

Here stands what each part is electrically.  A level shifter's buffer and a regulator are not in the
equations: what they put out is found by solving again until nothing changes any more.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Final

from . import parts
from .circuit import (
    GROUND,
    Circuit,
    Diode,
    Drive,
    Load,
    NmosTransistor,
    NoSolutionError,
    NpnTransistor,
    OperatingPoint,
    Resistor,
)
from .wiring import GND

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from .circuit import Element
    from .wiring import Wiring

# What drives a line, in ohms: an output of host or module, a host's own pull, the half of an automatic
# shifter that holds a level (common practice, no source).
OUTPUT_OHM: Final = 50.0
HOST_PULL_OHM: Final = 50e3
HOLD_OHM: Final = 4e3

# A net that a leak of a microampere would move by volts is held by nothing.
FLOATING_OHM: Final = 2e6

# What the inside of a module without power shows to what comes in through its pins.
_UNPOWERED_OHM: Final = 10e3
_LEAST_OHM: Final = 1e-3
# The gate of a pass transistor lies at the lower supply, so it is one with a low threshold.
_PASS_THRESHOLD_V: Final = 0.9

# Stages feed stages; a carrier deeper than this has a loop, which settles nowhere.
_DEEPEST: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class ModulePinModel:
    """A pin of the module as a circuit sees it.

    An input has thresholds and perhaps a pull inside; an output drives its net to *io_v* or to ground.
    Either has a diode to the module's own supply of that voltage.
    """

    io_v: float
    active_high: bool = True
    is_output: bool = False
    low_below_v: float = 0.0
    high_above_v: float = 0.0
    pull_up: bool = False
    pull_ohm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Power:
    """What has power: *rails* by name with their volts (None: off), and whether the module has."""

    rails: tuple[tuple[str, float | None], ...]
    module: bool


class Solution:
    """Volts of nets by the names that the wiring gives them."""

    __slots__ = ("_names", "_point")

    def __init__(self, point: OperatingPoint, names: Mapping[str, str]) -> None:
        self._point, self._names = point, names

    def volts(self, net: str) -> float:
        """The voltage of *net*; a net that nothing touches has none: 0."""
        return self._point.volts.get(self._names.get(net, net), 0.0)

    def ohms(self, net: str) -> float:
        """The resistance that *net* shows towards what holds it."""
        return self._point.ohms.get(self._names.get(net, net), float("inf"))

    def floats(self, net: str) -> bool:
        """Whether nothing holds *net*."""
        return self.ohms(net) >= FLOATING_OHM


class Netlist:
    """One wiring with jumpers and switches set and a module of *pins* on it."""

    def __init__(
        self, wiring: Wiring, positions: Mapping[str, str], pins: Mapping[str, ModulePinModel]
    ) -> None:
        self.wiring, self.pins = wiring, pins
        self._names = {**wiring.joined(positions), GND: GROUND}
        self._names = {net: GROUND if name == GND else name for net, name in self._names.items()}
        self._domains = {name: self._domain(pin) for name, pin in pins.items() if name in wiring.module}
        self._fixed = list(self._parts())
        self._shifters = [
            (name, part)
            for name, part in wiring.parts.items()
            if isinstance(part, parts.LevelShifter) and part.direction != "pass"
        ]
        self._regulators = [
            (name, part) for name, part in wiring.parts.items() if isinstance(part, parts.Regulator)
        ]
        self._guess: Mapping[str, float] = {}

    def name(self, net: str) -> str:
        """The name of *net* in the circuit: nets that are joined share one."""
        return self._names.get(net, net)

    def is_held(self, net: str) -> bool:
        """Whether *net* is a rail or ground."""
        name = self.name(net)
        return name == GROUND or name in self.wiring.rails

    @property
    def module_supplies(self) -> set[str]:
        """The nets of the module's own supplies, inside it or brought out as rails."""
        rails = {
            self.name(name)
            for name, rail in self.wiring.rails.items()
            if rail.powered_by in ("module", "module-on")
        }
        return rails | set(self._domains.values())

    @property
    def signal_capacitors(self) -> dict[str, float]:
        """Farads by net, of all capacitors that are not the supply's."""
        wiring = self.wiring
        supply = {self.name(wiring.module["SUPPLY"])} if "SUPPLY" in wiring.module else set()
        for part in wiring.parts.values():
            if isinstance(part, parts.Regulator | parts.Cable):
                supply |= {self.name(net) for net in parts.nets_of(part)}
        found: dict[str, float] = {}
        for part in wiring.parts.values():
            if isinstance(part, parts.RcLine):
                net = self.name(part.between[1])
            elif isinstance(part, parts.Capacitor) and self.name(part.net) not in supply:
                net = self.name(part.net)
            else:
                continue
            if net not in wiring.rails and net != GROUND:
                found[net] = found.get(net, 0.0) + part.farad
        return found

    def solve(self, power: Power, sources: Iterable[Drive | Load]) -> Solution:
        """The voltages with *power* there and *sources* on nets of the wiring.  Raises NoSolutionError."""
        live = {rail: volts for rail, volts in power.rails if volts is not None}
        held = {self.name(rail): volts for rail, volts in live.items()}
        placed = [replace(source, net=self.name(source.net)) for source in sources]
        given = [*self._fixed, *placed, *self._unpowered(live), *self._module(power, held)]
        outputs: dict[str, tuple[Element, ...]] = {}
        for _ in range(_DEEPEST):
            point = self._operate([*given, *(e for many in outputs.values() for e in many)], held)
            after = {
                **{
                    name: self._shifted(part, point, live, outputs.get(name)) for name, part in self._shifters
                },
                **{name: self._regulated(part, point, outputs.get(name)) for name, part in self._regulators},
            }
            if after == outputs:
                break
            outputs = after
        self._guess = point.volts
        return Solution(point, self._names)

    def _operate(self, elements: list[Element], held: Mapping[str, float]) -> OperatingPoint:
        circuit = Circuit(elements, held)
        try:
            return circuit.solve(self._guess)
        except NoSolutionError:
            return circuit.solve()  # a far guess can lead astray; nothing at all is a sound one

    # -- what each part is --------------------------------------------------------------

    def _parts(self) -> Iterator[Element]:
        name = self.name
        for part_name, part in self.wiring.parts.items():
            match part:
                case parts.Resistor() | parts.RcLine() | parts.Cable():
                    one, other = part.between
                    yield Resistor(name(one), name(other), max(part.ohm, _LEAST_OHM))
                case parts.Pull():
                    yield Resistor(name(part.net), name(part.to), part.ohm)
                case parts.Diode():
                    yield Diode(name(part.anode), name(part.cathode), part.saturation_a, part.emission)
                case parts.NpnStage():
                    base = f"{part_name}.base"
                    yield Resistor(name(part.input), base, part.base_ohm)
                    if part.base_emitter_ohm is not None:
                        yield Resistor(base, GROUND, part.base_emitter_ohm)
                    yield NpnTransistor(name(part.output), base, GROUND)
                case parts.NmosStage():
                    gate = f"{part_name}.gate"
                    yield Resistor(name(part.input), gate, part.gate_ohm)
                    if part.gate_source_ohm is not None:
                        yield Resistor(gate, GROUND, part.gate_source_ohm)
                    yield NmosTransistor(name(part.output), gate, GROUND, part.threshold_v)
                case parts.LevelShifter(direction="pass"):
                    yield Resistor(name(part.input), name(part.input_supply), part.pull_ohm)
                    yield Resistor(name(part.output), name(part.output_supply), part.pull_ohm)
                    yield NmosTransistor(
                        name(part.output), name(part.input_supply), name(part.input), _PASS_THRESHOLD_V
                    )
                case _:
                    pass  # joined already, or no direct current flows there, or found by solving again

    def _unpowered(self, live: Mapping[str, float]) -> Iterator[Element]:
        for rail, settings in self.wiring.rails.items():
            if rail not in live:
                yield Resistor(self.name(rail), GROUND, settings.off_ohm)

    def _domain(self, pin: ModulePinModel) -> str:
        """The module's own supply for *pin*: the carrier's rail of that voltage, or a net of its own."""
        for rail, settings in self.wiring.rails.items():
            if settings.powered_by == "module" and abs(settings.volts - pin.io_v) < 1e-6:  # noqa: PLR2004 # equal
                return self.name(rail)
        return f"module.{pin.io_v:g}"

    def _module(self, power: Power, held: dict[str, float]) -> Iterator[Element]:
        seen = set()
        for pin_name, domain in self._domains.items():
            pin, net = self.pins[pin_name], self.name(self.wiring.module[pin_name])
            if domain not in seen and domain not in {self.name(rail) for rail in self.wiring.rails}:
                if power.module:
                    held[domain] = pin.io_v
                else:
                    yield Resistor(domain, GROUND, _UNPOWERED_OHM)
            seen.add(domain)
            if net != domain:
                yield Diode(net, domain)
            if pin.pull_ohm is not None:
                to = domain if pin.pull_up else GROUND
                if net != to:
                    yield Resistor(net, to, pin.pull_ohm)

    def _shifted(
        self,
        part: parts.LevelShifter,
        point: OperatingPoint,
        live: Mapping[str, float],
        before: tuple[Element, ...] | None,
    ) -> tuple[Element, ...]:
        """What the buffers of a shifter put on its nets, by what they see there."""
        if part.input_supply not in live or part.output_supply not in live:
            return ()
        here, there = self.name(part.input), self.name(part.output)
        here_v, there_v = live[part.input_supply], live[part.output_supply]
        if part.direction == "fixed":
            high = self._sees_high(here, point, here_v)
            return (Drive(there, there_v if high else 0.0, OUTPUT_OHM),)
        # Whichever side is held harder by others leads; the own hold is taken out of the comparison.
        led_here = self._others_ohm(here, point, before) <= self._others_ohm(there, point, before)
        leader, leader_v = (here, here_v) if led_here else (there, there_v)
        follower, follower_v = (there, there_v) if led_here else (here, here_v)
        high = self._sees_high(leader, point, leader_v)
        return (Drive(follower, follower_v if high else 0.0, HOLD_OHM),)

    @staticmethod
    def _sees_high(net: str, point: OperatingPoint, supply_v: float) -> bool:
        """A buffer's view of *net*; where nothing holds that, it might see anything: low here."""
        return point.ohms.get(net, FLOATING_OHM) < FLOATING_OHM and point.volts[net] > supply_v / 2

    @staticmethod
    def _others_ohm(net: str, point: OperatingPoint, own: tuple[Element, ...] | None) -> float:
        ohms = point.ohms.get(net, float("inf"))
        if own and isinstance(own[0], Drive) and own[0].net == net:
            rest = 1 / ohms - 1 / own[0].ohm
            return 1 / rest if rest > 0 else float("inf")
        return ohms

    def _regulated(
        self, part: parts.Regulator, point: OperatingPoint, before: tuple[Element, ...] | None
    ) -> tuple[Element, ...]:
        source, output = self.name(part.input), self.name(part.output)
        input_v = point.volts.get(source, 0.0)
        if input_v < part.lockout_v:
            return (Resistor(output, GROUND, part.discharge_ohm),) if part.discharge_ohm else ()
        ohm = max(part.ohm, _LEAST_OHM)
        volts = round(max(0.0, min(part.volts, input_v - part.dropout_v)), 4)
        drive, amps = Drive(output, volts, ohm), 0.0
        if before and isinstance(before[0], Drive):
            amps = (before[0].volts - point.volts.get(output, 0.0)) / ohm
        amps = round(min(max(amps, 0.0), part.limit_a), 3)  # a regulator sinks nothing
        return (drive, Load(source, amps)) if amps else (drive,)
