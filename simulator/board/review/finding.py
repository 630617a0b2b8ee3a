"""What a finding is, and the board as its reviewer sees it.

Each finding has a name, the path that proves it, the consequence and the cure.  Knows no rule.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simulator.kernel.recorder import Recorder
from simulator.kernel.timeline import Timeline

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    from simulator.board.board import Board
    from simulator.board.course import Demand
    from simulator.board.feed import SupplyPath
    from simulator.board.paths import PinPath
    from simulator.board.supply import RailNeeds, SupplySettings

# Findings by name, each with what it means; the order is that of the report.
NAMES: Final = {
    "key-always-asserted": "the power key is held for as long as there is supply",
    "key-asserted-at-boot": "the power key is pressed while the host boots",
    "key-floats": "nothing defines the level of the power key",
    "radios-disabled-at-boot": "the radios are disabled while the host boots",
    "radio-disable-floats": "nothing defines the level of the radio-disable pin",
    "polarity-inverted": "a line acts at the other level than its user believes",
    "level-mismatch": "a level is not clearly high or low where it arrives, or too high",
    "shifter-unpowered": "a level shifter has no supply when it is needed",
    "shifter-late": "a level shifter gets its supply too late",
    "shifter-wrong-kind": "a level shifter of this kind cannot hold the level here",
    "uart-open": "the host's UART does not reach the module's",
    "uart-crossed": "transmit meets transmit",
    "back-feed": "the module without supply is fed through a signal",
    "supply-too-weak": "the rail falls too low under load",
    "pulse-eaten": "a capacitor takes part of the pulse",
    "interface-tied-off": "an interface of the module is not brought out",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One finding: its *name*, the *pins* it is about, what proves it, what it leads to, what mends it."""

    name: str
    pins: tuple[str, ...]
    proof: str
    consequence: str
    cure: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ReviewedBoard:
    """A board as its reviewer sees it.

    *fresh* makes the board anew, unpowered and untouched.  *uart_pins* are the header pins of the host's
    transmit and receive, where the host says so, *believed* the levels at which the user of a header pin
    believes it acts.  *press_s* is the press that the module's maker guarantees to start it, *key_after_s*
    how long after the supply it may come.  The supply is *source* behind *supply_path*; *demands* are what
    the module draws in turn.
    """

    fresh: Callable[[Timeline, Recorder], Board]
    paths: tuple[PinPath, ...]
    uart_pins: tuple[str, str] | None
    believed: Mapping[str, bool]
    press_s: float
    key_after_s: float
    source: SupplySettings
    supply_path: SupplyPath
    needs: RailNeeds
    demands: tuple[Demand, ...]

    def board(self) -> tuple[Board, Timeline]:
        """The board with everything powered and the host's lines in their boot state, and its time."""
        timeline = Timeline()
        board = self.fresh(timeline, Recorder(timeline))
        board.start(supply=True)
        timeline.run_until(_SETTLED_NS)
        return board, timeline

    def powered(self, *, booting: bool) -> Board:
        """The board with everything powered, the host's lines in their boot state, or all let go."""
        board, timeline = self.board()
        if not booting:
            for pin in board.wiring.header:
                line = board.lines.on_pin(pin)
                if line is not None:
                    line.make_input(by="review")
            timeline.run_until(2 * _SETTLED_NS)
        return board

    def paths_of(self, module_pin: str) -> tuple[PinPath, ...]:
        """The paths that end or begin at *module_pin*."""
        return tuple(path for path in self.paths if path.module_pin == module_pin)

    def proof(self, module_pin: str) -> str:
        """The paths of *module_pin* as text; closed ones where there are any."""
        found = self.paths_of(module_pin)
        closed = [path for path in found if not path.open_at]
        return "; ".join(map(str, closed or found)) or f"{module_pin} is not connected to the header"

    def pins_of(self, module_pin: str) -> tuple[str, ...]:
        """The header pins that *module_pin* has a path to."""
        return tuple(path.pin for path in self.paths_of(module_pin))


# Longer than any capacitor on a signal and any late rail takes.
_SETTLED_NS: Final = 1_000 * 10**9
