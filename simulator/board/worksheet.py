"""Does the board on the desk match the schematic that was traced?  Steps to measure, and what readings mean.

Each step drives one pin with everything powered and the module on; a meter on a few nets tells the
voltages.  Against readings, every single wiring error is tried, and the ones that explain them best are
ranked first.  Knows no file.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from .circuit import NoSolutionError
from .paths import PathFinder
from .picture import Reader, State
from .wiring_errors import single_errors

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from .host import HostSettings
    from .netlist import ModulePinModel
    from .wiring import Wiring
    from .wiring_errors import WiringError

# A hand-held meter: its input resistance, and how well it and the parts are known (common practice, no
# source): 2 % of the reading and 5 mV.
METER_OHM: Final = 10e6
SHARE: Final = 0.02
LEAST_V: Final = 0.005

# One reading that is far off, a slip of the probe, must not decide alone.
_MOST_MISS: Final = 20.0
# By this much (in squares of what the meter is known to) an error must fit better than no error.
_BELIEF: Final = 4.0
SOUND: Final = "the board is as traced"


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """One thing to do, and the *nets* to measure then."""

    name: str
    do: str
    nets: tuple[str, ...]
    header: tuple[tuple[str, bool, None], ...] = ()
    outputs: tuple[tuple[str, bool], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Reading:
    """What the meter showed on *net* in *step*."""

    step: str
    net: str
    volts: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Explanation:
    """One explanation of readings: the mean square *miss*, in units of what the meter is known to.

    *alike* are other errors that no reading of the worksheet tells from this one.
    """

    name: str
    miss: float
    alike: tuple[str, ...]


Volts = dict[tuple[str, str], float]


class Worksheet:
    """The worksheet of one wiring with its switches set, a module of *pins* on it, and a host.

    *rails* are what every rail is at with all power there.
    """

    def __init__(
        self,
        wiring: Wiring,
        positions: Mapping[str, str],
        pins: Mapping[str, ModulePinModel],
        host: HostSettings,
        rails: tuple[tuple[str, float | None], ...],
    ) -> None:
        self.wiring = wiring
        self._positions, self._pins, self._host, self._rails = positions, pins, host, rails
        self.steps = tuple(self._make_steps())
        self.expected = self._predict(wiring, positions)
        self._errors: dict[str, Volts] | None = None

    # -- steps ------------------------------------------------------------------------------

    def _make_steps(self) -> list[Step]:
        wiring = self.wiring
        on = tuple((name, True) for name, pin in self._pins.items() if pin.is_output)
        off = tuple((name, False) for name, pin in self._pins.items() if pin.is_output)
        paths = PathFinder(wiring, self._positions).paths()
        rails = [*wiring.rails, *([wiring.module["SUPPLY"]] if "SUPPLY" in wiring.module else [])]
        outward = [
            net
            for path in paths
            if path.direction == "to host" and path.module_pin in wiring.module
            for net in (wiring.module[path.module_pin], *(hop.net for hop in path.hops))
        ]
        module_nets = [net for pin, net in wiring.module.items() if pin != "SUPPLY"]
        steps = [
            Step(
                name="nothing driven",
                do="let go of all lines, the module on",
                nets=tuple(dict.fromkeys([*rails, *module_nets, *outward])),
                outputs=on,
            )
        ]
        driven = [pin for pin in wiring.header if pin in self._host.lines or self._is_transmit(pin)]
        for pin in driven:
            reached = [path for path in paths if path.pin == pin]
            if any(path.direction == "to host" for path in reached):
                continue  # an output of the module's is on it: never drive against it
            nets = [wiring.header[pin], *(hop.net for path in reached for hop in path.hops)]
            for level in (True, False):
                word = "high" if level else "low"
                steps.append(
                    Step(
                        name=f"pin {pin} {word}",
                        do=f"drive pin {pin} {word}, the module on",
                        nets=tuple(dict.fromkeys(net for net in nets if net not in wiring.rails)),
                        header=((pin, level, None),),
                        outputs=on,
                    )
                )
        if outward:
            steps.append(
                Step(
                    name="module off",
                    do="let go of all lines, the module off, its supply on",
                    nets=tuple(dict.fromkeys(outward)),
                    outputs=off,
                )
            )
        return steps

    def _is_transmit(self, pin: str) -> bool:
        return self._host.uart_pins is not None and self._host.uart_pins.tx == pin

    # -- what is to be seen -------------------------------------------------------------------

    def _predict(self, wiring: Wiring, positions: Mapping[str, str]) -> Volts:
        """What a meter shows in each step on each net of a carrier wired like this."""
        reader = Reader(wiring, positions, self._pins, self._host)
        seen: Volts = {}
        for step in self.steps:
            state = State(rails=self._rails, module=True, header=step.header, outputs=step.outputs)
            solution = reader.solve(state)
            for net in step.nets:
                # The meter's own resistance pulls a bit on what it measures, and much on what floats.
                ohms = solution.ohms(net)
                share = METER_OHM / (METER_OHM + ohms) if ohms < float("inf") else 0.0
                seen[step.name, net] = solution.volts(net) * share
        return seen

    @property
    def errors(self) -> dict[str, Volts]:
        """For each single wiring error what would be seen."""
        if self._errors is None:
            self._errors = {}
            for error in single_errors(self.wiring, self._positions):
                seen = self._seen_with(error)
                if seen is not None:
                    self._errors[error.name] = seen
        return self._errors

    def _seen_with(self, error: WiringError) -> Volts | None:
        try:
            return self._predict(error.wiring, error.positions)
        except NoSolutionError:
            return None

    def alike(self, name: str) -> tuple[str, ...]:
        """Errors (or none at all) that no reading tells from this one."""
        seen = self._all()[name]
        return tuple(
            other
            for other, volts in self._all().items()
            if other != name and all(_same(volts[place], seen[place]) for place in seen)
        )

    def _all(self) -> dict[str, Volts]:
        return {SOUND: self.expected, **self.errors}

    # -- from readings to errors ----------------------------------------------------------------

    def rank(self, readings: Sequence[Reading]) -> list[Explanation]:
        """All explanations, the best first; of two as good, no error before one.

        Raises KeyError for a step or net that the worksheet does not have.
        """
        for reading in readings:
            self.expected[reading.step, reading.net]  # the check itself
        # An error has to explain more than chance would: what it gains must be worth believing in it.
        belief = _BELIEF / len(readings) if readings else 0.0
        ranked = sorted(
            ((round(_miss(volts, readings), 6), name) for name, volts in self._all().items()),
            key=lambda pair: pair[0] + (0.0 if pair[1] == SOUND else belief),
        )
        return [Explanation(name=name, miss=miss, alike=self.alike(name)) for miss, name in ranked[:_SHOWN]]

    def meanings(self, step: str, net: str) -> dict[str, float]:
        """Errors with the volts that each would show at one place, where these are not the expected ones."""
        right = self.expected[step, net]
        return {
            name: volts[step, net]
            for name, volts in self.errors.items()
            if not _same(volts[step, net], right)
        }


_SHOWN: Final = 10


def sigma_v(volts: float) -> float:
    """How well a reading is known, in volts."""
    return SHARE * abs(volts) + LEAST_V


def _same(one: float, other: float) -> bool:
    """Whether a meter cannot tell two voltages apart: within twice what it is known to."""
    return abs(one - other) <= 2 * max(sigma_v(one), sigma_v(other))


def _miss(volts: Volts, readings: Sequence[Reading]) -> float:
    if not readings:
        return 0.0
    total = 0.0
    for reading in readings:
        expected = volts[reading.step, reading.net]
        off = abs(reading.volts - expected) / max(sigma_v(expected), sigma_v(reading.volts))
        total += min(off, _MOST_MISS) ** 2
    return total / len(readings)
