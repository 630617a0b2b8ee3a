"""What the host drives and what has power in; asserted module pins and levels at the header out.

Knows no module behaviour: it says which inputs of the module are asserted, and takes the level of its
outputs.  Levels come from voltages: the netlist is solved for each state of drives and power, once.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement
from simulator.kernel.timeline import ns

from .host import HostLines
from .picture import Picture, Reader, Route, State
from .transient import Sample, swing

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping, Sequence

    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .circuit import Drive
    from .host import HostSettings, Pull
    from .netlist import ModulePinModel, Solution
    from .parts import Part
    from .wiring import PowerKind, UartPin, Wiring

_ALL_POWER: Final[frozenset[PowerKind]] = frozenset({"always", "host", "module", "module-on", "supply"})


class Board:
    """One carrier between a host's header and a module.

    *pins* are the module's pins by name (`POWER_KEY`, `STATUS`).  `asserted` announces (module pin,
    asserted) at each change of an input that the module acts on.  *supply_v* is the source at the
    header.  Raises ValueError where jumpers join two rails.
    """

    def __init__(
        self,
        *,
        wiring: Wiring,
        positions: Mapping[str, str],
        pins: Mapping[str, ModulePinModel],
        host: HostSettings,
        supply_v: float,
        timeline: Timeline,
        recorder: Recorder,
    ) -> None:
        self.wiring, self.positions = wiring, dict(positions)
        self.reader = Reader(wiring, positions, pins, host)
        self.asserted: Announcement[tuple[str, bool]] = Announcement()
        self.lines = HostLines(host, place=self._place, sense=self.level_at)
        self._timeline, self._recorder = timeline, recorder
        self._supply_v = supply_v
        self._inputs = self.reader.inputs
        self._header: dict[str, tuple[bool | None, Pull | None]] = dict.fromkeys(wiring.header, (None, None))
        self._outputs = dict.fromkeys(self.reader.outputs, False)
        self._powered: set[PowerKind] = {"always", "host"}
        self._late_rails: dict[str, Wakeup] = {}
        self._waiting_rails: set[str] = set()
        self._applied: tuple[Picture, bool] | None = None
        self._levels: dict[str, bool | None] = {}
        self._shown: dict[str, bool | None] = {}
        self._is_asserted = dict.fromkeys(self._inputs, False)
        self._capacitors = self.reader.netlist.signal_capacitors
        self._swing: tuple[int, list[Sample]] | None = None
        self._pending: list[Wakeup] = []

    def start(self, *, supply: bool) -> None:
        """The host is up; its lines are in their boot state and the supply is on or off."""
        if supply:
            self._powered |= {"supply", "module", "module-on"}
        self.lines.restart()
        self._settle("host")

    def power(self, kind: PowerKind, *, present: bool, by: str = "supply") -> None:
        """One kind of power came or went."""
        if present == (kind in self._powered):
            return
        if present:
            self._powered.add(kind)
        else:
            self._powered.discard(kind)
        for name, rail in self.wiring.rails.items():
            if rail.powered_by == kind and rail.after_s > 0:
                self._power_later(name, ns(rail.after_s), present=present)
        self._settle(by)

    def _power_later(self, rail: str, delay_ns: int, *, present: bool) -> None:
        earlier = self._late_rails.pop(rail, None)
        if earlier is not None:
            earlier.cancel()
        self._waiting_rails.discard(rail)
        if not present:
            return
        self._waiting_rails.add(rail)

        def come() -> None:
            self._waiting_rails.discard(rail)
            self._settle("supply")

        self._late_rails[rail] = self._timeline.call_in(delay_ns, come)

    def set_supply(self, volts: float) -> None:
        """The source at the header is at *volts* while it is on."""
        if volts != self._supply_v:
            self._supply_v = volts
            if "supply" in self._powered:
                self._settle("supply")

    def drive(self, pin: str, level: bool | None, *, by: str) -> None:
        """Drive header *pin* from outside the host's lines, or let it go (None)."""
        self._place(pin, level, None, by)

    def show(self, output: str, *, active: bool) -> None:
        """An output of the module tells that it is active or not."""
        if output in self.reader.outputs:
            self._outputs[output] = active
            self._settle("module")

    def level_at(self, pin: str) -> bool | None:
        """The level at header *pin*; None while it floats.  Raises KeyError for an unknown pin."""
        if pin not in self._header:
            raise KeyError(pin)
        return self._levels.get(pin)

    def volts_at(self, net: str) -> float:
        """The voltage of *net* now, as a meter would show it once everything has settled."""
        return self.reader.picture(self.state()).solution.volts(net)

    def is_asserted(self, module_pin: str) -> bool:
        """Whether an input of the module is asserted now."""
        return self._is_asserted[module_pin]

    def floats(self, module_pin: str) -> bool:
        """Whether nothing defines the level of an input of the module now."""
        net = self.wiring.module.get(module_pin)  # type: ignore[call-overload] # any name may be asked for
        return net is None or self.reader.picture(self.state()).solution.floats(net)

    def carries(self, module_pin: UartPin) -> bool:
        """Whether both levels get through between the host's pin and *module_pin* now."""
        return self.reader.carries(module_pin, self.state())

    def route(self, module_pin: str) -> Route | None:
        """The header pin that a host line can reach *module_pin* by, with everything powered; else None."""
        lines = [pin for pin in self.wiring.header if self.lines.on_pin(pin) is not None]
        return self.reader.route(module_pin, lines, self.all_powered())

    def all_powered(self, *, but: Collection[PowerKind] = ()) -> State:
        """The state with no pin driven and all power there, *but* for these kinds."""
        return State(rails=self._rails(_ALL_POWER - set(but)), module="module" not in but)

    def with_parts(self, parts: Mapping[str, Part]) -> Board:
        """This carrier with other parts, untouched and without power."""
        wiring = self.wiring.model_copy(update={"parts": {**self.wiring.parts, **parts}})
        return Board(
            wiring=wiring,
            positions=self.positions,
            pins=self.reader.pins,
            host=self.lines.settings,
            supply_v=self._supply_v,
            timeline=self._timeline,
            recorder=self._recorder,
        )

    def state(self) -> State:
        """What has power and what is driven now."""
        module = "module" in self._powered
        return State(
            rails=self._rails(self._powered, self._waiting_rails),
            module=module,
            header=tuple(
                (pin, level, pull)
                for pin, (level, pull) in self._header.items()
                if level is not None or pull is not None
            ),
            outputs=tuple(self._outputs.items()) if module else (),
        )

    def _rails(
        self, powered: set[PowerKind] | frozenset[PowerKind], waiting: set[str] | None = None
    ) -> tuple[tuple[str, float | None], ...]:
        def volts(name: str, kind: PowerKind, own_v: float) -> float | None:
            if kind not in powered or (waiting and name in waiting):
                return None
            return self._supply_v if kind == "supply" else own_v

        return tuple(
            (name, volts(name, rail.powered_by, rail.volts)) for name, rail in self.wiring.rails.items()
        )

    def _place(self, pin: str, level: bool | None, pull: Pull | None, by: str) -> None:
        if self._header[pin] != (level, pull):
            self._header[pin] = (level, pull)
            self._settle(by)

    # -- from voltages to levels ------------------------------------------------------

    def _settle(self, by: str) -> None:
        """Solve, then record and announce what changed, at once or as the capacitors let it."""
        picture = self.reader.picture(self.state())
        if not self._capacitors:
            self._apply(picture, by)
            return
        charged = self._charged()
        for wakeup in self._pending:
            wakeup.cancel()
        self._pending.clear()
        samples = self._samples(picture, charged)
        self._swing = (self._timeline.now_ns, samples)
        self._apply(self.reader.read(samples[0].solution), by)
        for after_s, later in self.reader.changes(samples):
            self._pending.append(self._timeline.call_in(ns(after_s), partial(self._apply, later, by)))

    def _samples(self, picture: Picture, charged: Mapping[str, float]) -> list[Sample]:
        state = picture.state
        assert state is not None  # noqa: S101 # a picture of the whole board has its state

        def solve(companions: Sequence[Drive]) -> Solution:
            return self.reader.solve(state, companions)

        return swing(solve, self._capacitors, charged)

    def _charged(self) -> dict[str, float]:
        """The volts of each signal capacitor now."""
        if self._swing is None:
            return dict.fromkeys(self._capacitors, 0.0)
        began_ns, samples = self._swing
        passed_s = (self._timeline.now_ns - began_ns) / 1e9
        before = samples[0]
        for sample in samples[1:]:
            if sample.after_s > passed_s:
                share = (passed_s - before.after_s) / (sample.after_s - before.after_s)
                return {
                    net: before.charged[net] + share * (sample.charged[net] - before.charged[net])
                    for net in self._capacitors
                }
            before = sample
        return dict(before.charged)

    def _apply(self, picture: Picture, by: str) -> None:
        if (picture, "module" in self._powered) == self._applied:
            return
        self._applied = (picture, "module" in self._powered)
        moved = []
        for pin, level in picture.header.items():
            if self._levels.get(pin) is not level:
                moved.append(pin)
            self._levels[pin] = level
            if self.lines.on_pin(pin) is not None:
                self._show_level(f"header/{pin}", level, by)
        changed = []
        has_power = "module" in self._powered
        for name, read in picture.inputs.items():
            reading = read if has_power else None  # without power nothing is read
            level = self._shown.get(f"pin/{name}") if reading == "between" else reading
            self._show_level(f"pin/{name}", level, by)
            asserted = level is not None and level is self._inputs[name].active_high
            if asserted is not self._is_asserted[name]:
                self._is_asserted[name] = asserted
                changed.append((name, asserted))
        for news in changed:
            self.asserted.announce(news)
        self.lines.look(moved)

    def _show_level(self, lane: str, level: bool | None, by: str) -> None:
        if lane not in self._shown or self._shown[lane] is not level:
            self._shown[lane] = level
            self._recorder.record(lane, "level", value=None if level is None else int(level), by=by)
