"""How each header pin reaches the module: a wiring with its jumpers set in, paths of parts out.

Knows no level: it says which parts lie between, which of them invert, and which are open.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal

from .parts import (
    Cable,
    Diode,
    Jumper,
    LevelShifter,
    NmosStage,
    NpnStage,
    RcLine,
    Regulator,
    Resistor,
    SlideSwitch,
)

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from .wiring import Wiring


@dataclass(frozen=True, slots=True, kw_only=True)
class Hop:
    """One part on a path, and the net behind it; *note* is its position, where it has one."""

    part: str
    kind: str
    net: str
    inverts: bool = False
    is_open: bool = False
    note: str = ""

    def __str__(self) -> str:
        """The part with what matters about it."""
        facts = [self.kind, *([self.note] if self.note else []), *(["inverts"] if self.inverts else [])]
        return f"{self.part} ({', '.join(facts)}{': OPEN' if self.is_open else ''})"


@dataclass(frozen=True, slots=True, kw_only=True)
class PinPath:
    """The way between header *pin* and *module_pin*, part by part in the direction of the signal."""

    pin: str
    module_pin: str
    direction: Literal["to module", "to host"]
    hops: tuple[Hop, ...]

    @property
    def inverts(self) -> bool:
        """Whether a high level at one end is a low one at the other."""
        return sum(hop.inverts for hop in self.hops) % 2 == 1

    @property
    def open_at(self) -> tuple[str, ...]:
        """The parts at which the path is open."""
        return tuple(hop.part for hop in self.hops if hop.is_open)

    def __str__(self) -> str:
        """The path as one line."""
        ends = [f"pin {self.pin}", self.module_pin]
        first, last = ends if self.direction == "to module" else reversed(ends)
        return " -> ".join([first, *map(str, self.hops), last])


class PathFinder:
    """The paths of one wiring with its jumpers and switches set."""

    def __init__(self, wiring: Wiring, positions: Mapping[str, str]) -> None:
        self._wiring, self._positions = wiring, positions
        self._hops: dict[str, list[Hop]] = {}
        for origin, hop in self._all_hops():
            self._hops.setdefault(origin, []).append(hop)

    def paths(self) -> list[PinPath]:
        """For each header pin its paths to and from module pins; open ones only where there is no other."""
        header, module = self._wiring.header, self._wiring.module
        by_net: dict[str, list[str]] = {}
        for name, net in module.items():
            by_net.setdefault(net, []).append(name)
        found: list[PinPath] = []
        for pin, net in header.items():
            reached = self._reach(net)
            candidates = [
                PinPath(pin=pin, module_pin=name, direction="to module", hops=hops)
                for end, hops in reached.items()
                for name in by_net.get(end, ())
            ]
            for name, start in module.items():
                hops = self._reach(start).get(net)
                if hops is not None and not any(path.module_pin == name for path in candidates):
                    candidates.append(PinPath(pin=pin, module_pin=name, direction="to host", hops=hops))
            closed = [path for path in candidates if not path.open_at]
            found += closed or candidates
        return found

    def _reach(self, start: str) -> dict[str, tuple[Hop, ...]]:
        """Every net that a signal from *start* reaches, over as few open parts as possible."""
        best: dict[str, tuple[Hop, ...]] = {start: ()}
        # Closed hops first: a net is settled with the fewest open parts on the way to it.
        queue: deque[str] = deque([start])
        while queue:
            net = queue.popleft()
            for hop in self._hops.get(net, ()):
                if any(earlier.part == hop.part for earlier in best[net]):
                    continue  # back over the same part
                hops = (*best[net], hop)
                before = best.get(hop.net)
                if before is None or _openings(hops) < _openings(before):
                    best[hop.net] = hops
                    if hop.is_open:
                        queue.append(hop.net)
                    else:
                        queue.appendleft(hop.net)
        return best

    def _all_hops(self) -> Iterator[tuple[str, Hop]]:
        """Each step from a net over a part to another net, both ways where the part has no direction."""
        for name, part in self._wiring.parts.items():
            match part:
                case Jumper():
                    set_to = self._positions.get(name, part.default)
                    for position, net in part.positions.items():
                        is_open = position != set_to
                        yield from _both_ways(name, part.kind, part.common, net, is_open=is_open, note=set_to)
                case SlideSwitch():
                    set_to = self._positions.get(name, part.default)
                    is_open = set_to == "open"
                    yield from _both_ways(name, part.kind, *part.between, is_open=is_open, note=set_to)
                case Resistor() | RcLine() | Cable():
                    yield from _both_ways(name, part.kind, *part.between)
                case NpnStage() | NmosStage():
                    yield part.input, Hop(part=name, kind=part.kind, net=part.output, inverts=True)
                case LevelShifter() if part.direction != "fixed":
                    yield from _both_ways(name, part.kind, part.input, part.output, note=part.direction)
                case LevelShifter() | Regulator():
                    yield part.input, Hop(part=name, kind=part.kind, net=part.output)
                case Diode():
                    yield part.anode, Hop(part=name, kind=part.kind, net=part.cathode)
                    yield part.cathode, Hop(part=name, kind=part.kind, net=part.anode)


def _both_ways(
    name: str, kind: str, one: str, other: str, *, is_open: bool = False, note: str = ""
) -> Iterator[tuple[str, Hop]]:
    yield one, Hop(part=name, kind=kind, net=other, is_open=is_open, note=note)
    yield other, Hop(part=name, kind=kind, net=one, is_open=is_open, note=note)


def _openings(hops: tuple[Hop, ...]) -> tuple[int, int]:
    return sum(hop.is_open for hop in hops), len(hops)
