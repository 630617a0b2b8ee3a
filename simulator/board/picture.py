"""One state of a board in, what every pin reads out: voltages turned into levels.

A state is what is driven and what has power; it is solved once and kept.  Knows no time.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from .circuit import Drive
from .logic_levels import limits
from .netlist import HOST_PULL_OHM, OUTPUT_OHM, Netlist, Power

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence

    from .host import HostSettings, Pull
    from .netlist import ModulePinModel, Solution
    from .transient import Sample
    from .wiring import Wiring

# What an input reads: a level, None where nothing holds its net, or neither of the two for sure.
Reading: TypeAlias = bool | Literal["between"] | None

# The inputs that the module acts on by their level; the UART's is looked at as a link.
ACTED_ON: Final = ("POWER_KEY", "RADIO_DISABLE")

# States that are kept; a board seldom has more than a dozen.
_KEPT: Final = 512


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """How to reach a module pin from the header: *pin* at *active_high* or low asserts (or shows) it."""

    pin: str
    active_high: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class State:
    """What has power and what is driven: header pins by (level, pull), outputs of the module by active.

    *levels* are outputs put to a level instead.
    """

    rails: tuple[tuple[str, float | None], ...]
    module: bool
    header: tuple[tuple[str, bool | None, Pull | None], ...] = ()
    outputs: tuple[tuple[str, bool], ...] = ()
    levels: tuple[tuple[str, bool], ...] = ()

    def driving(self, pin: str, level: bool | None) -> State:
        """The same with header *pin* driven to *level*, or let go."""
        others = tuple(entry for entry in self.header if entry[0] != pin)
        return replace(self, header=others if level is None else (*others, (pin, level, None)))

    def telling_level(self, output: str, level: bool) -> State:
        """The same with an output of the module at *level*, whatever that tells."""
        return replace(self, levels=(*(o for o in self.levels if o[0] != output), (output, level)))

    def telling(self, output: str, active: bool) -> State:
        """The same with an output of the module active or not."""
        return replace(self, outputs=(*(o for o in self.outputs if o[0] != output), (output, active)))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Picture:
    """What every header pin and every acted-on input reads; *state* is None in the midst of a swing."""

    solution: Solution
    header: Mapping[str, bool | None]
    inputs: Mapping[str, Reading]
    state: State | None = field(default=None)


class Reader:
    """One carrier with its switches set, a module of *pins* on it, and a host."""

    def __init__(
        self,
        wiring: Wiring,
        positions: Mapping[str, str],
        pins: Mapping[str, ModulePinModel],
        host: HostSettings,
    ) -> None:
        self.wiring, self.host, self.pins = wiring, host, pins
        self.netlist = Netlist(wiring, positions, pins)
        self.inputs = {name: pins[name] for name in ACTED_ON if name in pins}
        self.outputs = {name: pin for name, pin in pins.items() if pin.is_output}
        self.host_limits = limits(host.io_volts)
        self._pictures: dict[State, Picture] = {}
        self._links: dict[tuple[str, State], bool] = {}

    def picture(self, state: State) -> Picture:
        """What the board shows in *state*, everything settled."""
        found = self._pictures.get(state)
        if found is None:
            if len(self._pictures) >= _KEPT:
                self._pictures.clear()
            found = replace(self.read(self.solve(state)), state=state)
            self._pictures[state] = found
        return found

    def solve(self, state: State, more: Iterable[Drive] = ()) -> Solution:
        """The voltages in *state*, with *more* sources."""
        power = Power(rails=state.rails, module=state.module)
        return self.netlist.solve(power, [*self._sources(state), *more])

    def read(self, solution: Solution) -> Picture:
        """The levels that voltages mean."""
        wiring = self.wiring
        middle_v = (self.host_limits.low_input_v + self.host_limits.high_input_v) / 2
        return Picture(
            solution=solution,
            header={
                pin: None if solution.floats(net) else solution.volts(net) >= middle_v
                for pin, net in wiring.header.items()
            },
            inputs={name: self.reading(name, solution) for name in self.inputs},
        )

    def reading(self, module_pin: str, solution: Solution) -> Reading:
        """What an input of the module reads."""
        net = self.wiring.module.get(module_pin)  # type: ignore[call-overload] # any name may be asked for
        if net is None or solution.floats(net):
            return None
        volts, pin = solution.volts(net), self.pins[module_pin]
        if volts < pin.low_below_v:
            return False
        return True if volts >= pin.high_above_v else "between"

    def changes(self, samples: Sequence[Sample]) -> Iterator[tuple[float, Picture]]:
        """When in a swing something reads differently, in seconds from its start, and how then."""
        before = samples[0]
        seen = self.read(before.solution)
        for sample in samples[1:]:
            now = self.read(sample.solution)
            if (now.header, now.inputs) != (seen.header, seen.inputs):
                yield self._crossing_s(before, sample), now
                seen = now
            before = sample

    def _crossing_s(self, before: Sample, after: Sample) -> float:
        """When the first input passes its threshold between two samples, on a straight line."""
        shares = [1.0]
        for name, pin in self.inputs.items():
            net = self.wiring.module.get(name)  # type: ignore[call-overload] # names of the wiring's own
            if net is None:
                continue
            low_v, high_v = before.solution.volts(net), after.solution.volts(net)
            shares += [
                (threshold_v - low_v) / (high_v - low_v)
                for threshold_v in (pin.low_below_v, pin.high_above_v)
                if (low_v < threshold_v) != (high_v < threshold_v)
            ]
        return before.after_s + min(shares) * (after.after_s - before.after_s)

    # -- routes and links ---------------------------------------------------------------

    def route(self, module_pin: str, lines: Collection[str], state: State) -> Route | None:
        """The header pin among *lines* by which the host decides about *module_pin*, or sees it."""
        if module_pin in self.outputs:
            return self._route_from(module_pin, state)
        if module_pin not in self.inputs:
            return None
        active_high = self.inputs[module_pin].active_high
        for pin in lines:
            low, high = (
                self.picture(state.driving(pin, level)).inputs[module_pin] is active_high
                for level in (False, True)
            )
            if low is not high:
                return Route(pin=pin, active_high=high)
        return None

    def _route_from(self, output: str, state: State) -> Route | None:
        if output not in self.wiring.module:
            return None
        quiet, active = (self.picture(state.telling(output, tells)).header for tells in (False, True))
        for pin in self.wiring.header:
            level = active[pin]
            if level is not None and quiet[pin] is not None and level is not quiet[pin]:
                return Route(pin=pin, active_high=level)
        return None

    def carries(self, module_pin: str, state: State) -> bool:
        """Whether both levels of a pin of the UART get through in *state*."""
        key = (module_pin, state)
        if key not in self._links:
            if len(self._links) >= _KEPT:
                self._links.clear()
            self._links[key] = self._carries(module_pin, state)
        return self._links[key]

    def _carries(self, module_pin: str, state: State) -> bool:
        uart = self.host.uart_pins
        if uart is None:
            return True  # a host whose file does not say where its UART is gets the benefit of the doubt
        pin = {"UART_RX": uart.tx, "UART_TX": uart.rx, "UART_RTS": uart.rts, "UART_CTS": uart.cts}[module_pin]
        if module_pin not in self.wiring.module:
            return module_pin in ("UART_RX", "UART_TX")  # the same benefit; control lines are often left out
        net, seen = None if pin is None else self.wiring.header.get(pin), self.host_limits
        if pin is None or net is None:
            return False
        if module_pin in ("UART_RX", "UART_RTS"):
            return all(
                self.reading(module_pin, self.solve(state.driving(pin, level))) is level
                for level in (False, True)
            )
        active_high = self.outputs[module_pin].active_high
        low, high = (
            self.solve(state.telling(module_pin, active=level is active_high)) for level in (False, True)
        )
        if low.floats(net) or high.floats(net):
            return False
        return low.volts(net) <= seen.low_input_v and high.volts(net) >= seen.high_input_v

    def fed_v(self, state: State) -> float:
        """The highest of the module's own supplies in *state*, in volts."""
        solution = self.solve(state)
        return max((solution.volts(net) for net in self.netlist.module_supplies), default=0.0)

    # -- what a state puts on nets --------------------------------------------------------

    def _sources(self, state: State) -> Iterator[Drive]:
        io_v, header = self.host.io_volts, self.wiring.header
        uart = self.host.uart_pins
        driven = {pin for pin, _, _ in state.header}
        if uart is not None and uart.tx in header and uart.tx not in driven:
            yield Drive(header[uart.tx], io_v, OUTPUT_OHM)  # a UART at rest is high
        for pin, level, pull in state.header:
            if level is not None:
                yield Drive(header[pin], io_v if level else 0.0, OUTPUT_OHM)
            else:
                yield Drive(header[pin], io_v if pull == "up" else 0.0, HOST_PULL_OHM)
        for output, active in state.outputs:
            yield from self._output(output, level=active is self.outputs[output].active_high)
        for output, level in state.levels:
            yield from self._output(output, level=level)

    def _output(self, output: str, *, level: bool) -> Iterator[Drive]:
        net = self.wiring.module.get(output)  # type: ignore[call-overload] # names of the wiring's own
        if net is not None:
            yield Drive(net, self.outputs[output].io_v if level else 0.0, OUTPUT_OHM)
