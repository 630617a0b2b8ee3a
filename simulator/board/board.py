"""What the host drives and what has power in; asserted module pins and levels at the header out.

Knows no module behaviour: it says which inputs of the module are asserted, and takes the level of its
outputs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal

from simulator.kernel.announcement import Announcement

from .host import HostLines
from .levels import PULLED, LevelSolver, Source

if TYPE_CHECKING:
    from collections.abc import Mapping

    from simulator.kernel.recorder import Recorder

    from .host import HostSettings
    from .wiring import Wiring

Pull = Literal["up", "down"]

_ALL_POWER: Final = frozenset({"host", "module", "supply"})


@dataclass(frozen=True, slots=True, kw_only=True)
class ModuleInput:
    """An input of the module as the board needs to know it: the level that asserts it, its own pull."""

    active_high: bool
    pull: Pull | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Route:
    """How to reach a module pin from the header: *pin* at *active_high* or low asserts (or shows) it."""

    pin: str
    active_high: bool


@dataclass(slots=True)
class _HeaderPin:
    level: bool | None = None
    pull: Pull | None = None


class Board:
    """One carrier between a host's header and a module.

    *inputs* are the module's inputs by pin name (`POWER_KEY`, `RADIO_DISABLE`), *outputs* the level
    at which each output tells (`STATUS`: True for active high).  `asserted` announces (module pin,
    asserted) at each change.
    """

    def __init__(
        self,
        *,
        wiring: Wiring,
        positions: Mapping[str, str],
        inputs: Mapping[str, ModuleInput],
        outputs: Mapping[str, bool],
        host: HostSettings,
        recorder: Recorder,
    ) -> None:
        self.wiring, self.positions, self._inputs, self._outputs = wiring, dict(positions), inputs, outputs
        self.asserted: Announcement[tuple[str, bool]] = Announcement()
        self.lines = HostLines(host, place=self._place, sense=self.level_at)
        self._recorder = recorder
        self._solver = LevelSolver(wiring, positions)
        self._header = {pin: _HeaderPin() for pin in wiring.header}
        self._output_levels: dict[str, bool] = {}
        self._powered: set[str] = {"host"}
        self._levels: dict[str, bool] = {}
        self._shown: dict[str, bool | None] = {}
        self._is_asserted = dict.fromkeys(inputs, False)

    def start(self, *, supply: bool) -> None:
        """The host is up; its lines are in their boot state and the supply is on or off."""
        if supply:
            self._powered |= {"supply", "module"}
        self.lines.restart()
        self._settle("host")

    def power(self, kind: Literal["host", "module", "supply"], *, present: bool, by: str = "supply") -> None:
        """One kind of power came or went."""
        if present:
            self._powered.add(kind)
        else:
            self._powered.discard(kind)
        self._settle(by)

    def drive(self, pin: str, level: bool | None, *, by: str) -> None:
        """Drive header *pin* from outside the host's lines, or let it go (None)."""
        self._place(pin, level, None, by)

    def show(self, output: str, *, active: bool) -> None:
        """An output of the module tells that it is active or not."""
        if output in self._outputs:
            self._output_levels[output] = active == self._outputs[output]
            self._settle("module")

    def level_at(self, pin: str) -> bool | None:
        """The level at header *pin*; None while it floats.  Raises KeyError for an unknown pin."""
        return self._levels.get(self.wiring.header[pin])

    def is_asserted(self, module_pin: str) -> bool:
        """Whether an input of the module is asserted now."""
        return self._is_asserted[module_pin]

    def floats(self, module_pin: str) -> bool:
        """Whether nothing defines the level of an input of the module now."""
        net = self.wiring.module.get(module_pin)  # type: ignore[call-overload] # any name may be asked for
        return net is None or net not in self._levels

    def route(self, module_pin: str) -> Route | None:
        """The header pin that a host line can reach *module_pin* by, with everything powered; else None."""
        if module_pin in self._outputs:
            return self._route_from(module_pin)
        if module_pin not in self._inputs:
            return None
        for pin in self.wiring.header:
            if self.lines.on_pin(pin) is None:
                continue
            low, high = (self._would_assert(module_pin, pin, level=level) for level in (False, True))
            if low is not high:
                return Route(pin=pin, active_high=high)
        return None

    def _route_from(self, output: str) -> Route | None:
        net = self.wiring.module.get(output)  # type: ignore[call-overload] # any name may be asked for
        if net is None:
            return None
        for pin, pin_net in self.wiring.header.items():
            low, high = (
                self._solver.solve([Source(net=net, level=level)], powered=_ALL_POWER).get(pin_net)
                for level in (False, True)
            )
            if low is not high and low is not None:
                return Route(pin=pin, active_high=self._outputs[output] is bool(high))
        return None

    def _would_assert(self, module_pin: str, pin: str, *, level: bool) -> bool:
        sources = [Source(net=self.wiring.header[pin], level=level), *self._module_pulls()]
        levels = self._solver.solve(sources, powered=_ALL_POWER)
        return self._reads_asserted(module_pin, levels)

    def _module_pulls(self) -> list[Source]:
        return [
            Source(net=net, level=pin.pull == "up", strength=PULLED)
            for name, pin in self._inputs.items()
            if pin.pull is not None and (net := self.wiring.module.get(name)) is not None  # type: ignore[call-overload] # names of the wiring's own
        ]

    def _reads_asserted(self, module_pin: str, levels: Mapping[str, bool]) -> bool:
        net = self.wiring.module.get(module_pin)  # type: ignore[call-overload] # names of the wiring's own
        pin = self._inputs[module_pin]
        level = levels.get(net) if net is not None else None
        return level is not None and level is pin.active_high

    def _place(self, pin: str, level: bool | None, pull: Pull | None, by: str) -> None:
        state = self._header[pin]
        if (state.level, state.pull) != (level, pull):
            state.level, state.pull = level, pull
            self._settle(by)

    def _settle(self, by: str) -> None:
        """Solve, then record and announce what changed."""
        header, module = self.wiring.header, self.wiring.module
        sources = self._module_pulls() if "module" in self._powered else []
        for pin, state in self._header.items():
            if state.level is not None:
                sources.append(Source(net=header[pin], level=state.level))
            elif state.pull is not None:
                sources.append(Source(net=header[pin], level=state.pull == "up", strength=PULLED))
        if "module" in self._powered:
            sources += [
                Source(net=net, level=level)
                for output, level in self._output_levels.items()
                if (net := module.get(output)) is not None  # type: ignore[call-overload] # names of the wiring's own
            ]
        self._levels = self._solver.solve(sources, powered=self._powered)
        for pin in self._header:
            if self.lines.on_pin(pin) is not None:
                self._show_level(f"header/{pin}", self.level_at(pin), by)
        changed = []
        for name in self._inputs:
            net = module.get(name)  # type: ignore[call-overload] # names of the wiring's own
            self._show_level(f"pin/{name}", self._levels.get(net) if net is not None else None, by)
            asserted = self._reads_asserted(name, self._levels)
            if asserted is not self._is_asserted[name]:
                self._is_asserted[name] = asserted
                changed.append((name, asserted))
        for news in changed:
            self.asserted.announce(news)

    def _show_level(self, lane: str, level: bool | None, by: str) -> None:
        if lane not in self._shown or self._shown[lane] is not level:
            self._shown[lane] = level
            self._recorder.record(lane, "level", value=None if level is None else int(level), by=by)
