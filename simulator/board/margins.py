"""How clearly each level arrives: a board in, margins in millivolts out.

For each path the sending end is put to both levels, with everything powered; what arrives is compared
with what the receiving end asks for.  A negative margin is a level that nobody guarantees to be read.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from .logic_levels import limits
from .parts import LevelShifter

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .board import Board
    from .netlist import Solution
    from .paths import PinPath
    from .picture import State


@dataclass(frozen=True, slots=True, kw_only=True)
class Margin:
    """What arrives *at* a place while the path's sender is *driven* high or low.

    *limit_v* is what the place asks for: at most that for low, at least that for high; *most_v* what it
    bears.  The margin is what is left, in volts: negative where the level is not reached.
    """

    driven: bool
    at: str
    expected: bool
    volts: float
    limit_v: float
    most_v: float

    @property
    def left_v(self) -> float:
        """What is left to the limit."""
        return self.volts - self.limit_v if self.expected else self.limit_v - self.volts

    @property
    def bears_v(self) -> float:
        """What is left to the most the place bears."""
        return self.most_v - self.volts

    @property
    def is_missed(self) -> bool:
        """Whether the level is not reached, or is more than the place bears."""
        return self.left_v < 0 or self.bears_v < 0

    def __str__(self) -> str:
        """One line for people."""
        level, reads = "high" if self.driven else "low", "high" if self.expected else "low"
        text = f"{level}: {self.at} at {self.volts:.3f} V, reads {reads} "
        text += (
            f"{'from' if self.expected else 'below'} {self.limit_v:.2f} V: {self.left_v * 1000:.0f} mV left"
        )
        return text if self.bears_v >= 0 else f"{text}, but bears only {self.most_v:.2f} V"


def margins(board: Board, path: PinPath) -> list[Margin]:
    """The margins of *path* with everything powered; none where it is open or nothing can drive it."""
    is_rail = board.reader.netlist.is_held(board.wiring.header[path.pin])
    if path.open_at or is_rail or path.module_pin not in board.reader.pins:
        return []
    return list(_margins(board, path))


def _margins(board: Board, path: PinPath) -> Iterator[Margin]:
    reader, state = board.reader, board.all_powered()
    wiring = board.wiring
    for driven in (True, False):
        solution = reader.solve(_sending(state, path, driven))
        level = driven
        for hop in path.hops:
            part = wiring.parts[hop.part]
            if isinstance(part, LevelShifter) and part.direction == "fixed":
                supply = dict(state.rails)[part.input_supply]
                if supply is not None:
                    asks = limits(supply)
                    limit_v = asks.high_input_v if level else asks.low_input_v
                    yield Margin(
                        driven=driven,
                        at=f"{hop.part} (in)",
                        expected=level,
                        volts=solution.volts(part.input),
                        limit_v=limit_v,
                        most_v=asks.most_v,
                    )
            level = level is not hop.inverts
        yield _end(board, path, solution, driven=driven, expected=level)


def floats_at_its_end(board: Board, path: PinPath) -> bool:
    """Whether nothing holds the receiving end of *path* at one of the levels: then no margin is one."""
    state = board.all_powered()
    if path.direction == "to module":
        net = board.wiring.module[path.module_pin]  # type: ignore[index] # names of the wiring's own
    else:
        net = board.wiring.header[path.pin]
    return any(board.reader.solve(_sending(state, path, driven)).floats(net) for driven in (True, False))


def _sending(state: State, path: PinPath, driven: bool) -> State:
    if path.direction == "to module":
        return state.driving(path.pin, driven)
    return state.telling_level(path.module_pin, driven)


def _end(board: Board, path: PinPath, solution: Solution, *, driven: bool, expected: bool) -> Margin:
    reader = board.reader
    if path.direction == "to module":
        pin = reader.pins[path.module_pin]
        net = board.wiring.module[path.module_pin]  # type: ignore[index] # names of the wiring's own
        limit_v = pin.high_above_v if expected else pin.low_below_v
        at, most_v = path.module_pin, limits(pin.io_v).most_v
    else:
        net, asks = board.wiring.header[path.pin], reader.host_limits
        limit_v = asks.high_input_v if expected else asks.low_input_v
        at, most_v = f"pin {path.pin}", asks.most_v
    return Margin(
        driven=driven, at=at, expected=expected, volts=solution.volts(net), limit_v=limit_v, most_v=most_v
    )
