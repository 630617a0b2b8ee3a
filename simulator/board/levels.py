"""What drives which net in, each net's logic level out.

A first, digital solver: strong sources beat those behind a resistor, these beat pulls, and nothing is a
floating net.  Of two equal sources that disagree the low one wins.  Knows no volts.
"""

from __future__ import annotations

import heapq
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from .wiring import Cable, Capacitor, Jumper, LevelShifter, NpnStage, Pull, Regulator, Resistor, SlideSwitch

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from .wiring import Wiring

STRONG: Final = 3
RESISTIVE: Final = 2
PULLED: Final = 1

# Stages feed stages; a carrier deeper than this has a loop, which settles nowhere.
_DEEPEST: Final = 32


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Something that holds *net* at *level* with *strength*."""

    net: str
    level: bool
    strength: int = STRONG


class LevelSolver:
    """The levels of one wiring with its jumpers and switches set."""

    def __init__(self, wiring: Wiring, positions: Mapping[str, str]) -> None:
        self._wiring = wiring
        self._joined: dict[str, list[str]] = {}
        self._resistive: dict[str, list[str]] = {}
        self._stages: list[NpnStage | LevelShifter] = []
        self._pulls: list[Pull] = []
        for name, part in wiring.parts.items():
            match part:
                case Jumper():
                    position = positions.get(name, part.default)
                    self._join(self._joined, part.common, part.positions[position])
                case SlideSwitch():
                    if positions.get(name, part.default) == "closed":
                        self._join(self._joined, *part.between)
                case Resistor():
                    self._join(self._resistive, *part.between)
                case Pull():
                    self._pulls.append(part)
                case NpnStage() | LevelShifter():
                    self._stages.append(part)
                case Cable() | Regulator() | Capacitor():
                    pass  # of the supply: no logic level passes here

    @staticmethod
    def _join(graph: dict[str, list[str]], one: str, other: str) -> None:
        graph.setdefault(one, []).append(other)
        graph.setdefault(other, []).append(one)

    def solve(self, sources: Iterable[Source], *, powered: Collection[str]) -> dict[str, bool]:
        """The level of each net that does not float; *powered* names the kinds of power that are there."""
        rails = self._wiring.rails
        live = {
            name: rail.volts > 0
            for name, rail in rails.items()
            if rail.powered_by == "always" or rail.powered_by in powered
        }
        fixed = [Source(net=name, level=level) for name, level in live.items()]
        fixed += [
            Source(net=pull.net, level=live[pull.to], strength=PULLED)
            for pull in self._pulls
            if pull.to in live
        ]
        fixed += sources
        driven: list[Source] = []
        for _ in range(_DEEPEST):
            levels = self._spread([*fixed, *driven])
            after = list(self._stage_outputs(levels, live))
            if after == driven:
                break
            driven = after
        return levels

    def _stage_outputs(self, levels: Mapping[str, bool], live: Mapping[str, bool]) -> Iterable[Source]:
        for stage in self._stages:
            level = levels.get(stage.input, False)
            if isinstance(stage, NpnStage):
                if level:
                    yield Source(net=stage.output, level=False)
            elif stage.input_supply in live and stage.output_supply in live:
                yield Source(net=stage.output, level=level)

    def _spread(self, sources: Iterable[Source]) -> dict[str, bool]:
        """Sources spread from the strongest to the weakest; the first to reach a net holds it."""
        levels: dict[str, bool] = {}
        queue = [(-source.strength, source.level, source.net) for source in sources]
        heapq.heapify(queue)
        while queue:
            negative_strength, level, net = heapq.heappop(queue)
            if net in levels:
                continue
            levels[net] = level
            for neighbour in self._joined.get(net, ()):
                if neighbour not in levels:
                    heapq.heappush(queue, (negative_strength, level, neighbour))
            for neighbour in self._resistive.get(net, ()):
                if neighbour not in levels:
                    heapq.heappush(queue, (max(negative_strength, -RESISTIVE), level, neighbour))
        return levels
