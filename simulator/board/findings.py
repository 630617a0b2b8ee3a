"""What a reviewer of the schematic would say: a board in, findings out.

Each finding has a name, the path that proves it, the consequence and the cure.  These are the ones that
logic levels alone can prove; what wants voltages is not looked at here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simulator.kernel.recorder import Recorder
from simulator.kernel.timeline import Timeline

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from .board import Board
    from .paths import PinPath

# Findings by name, each with what it means; the order is that of the report.
NAMES: Final = {
    "key-always-asserted": "the power key is held for as long as there is supply",
    "key-asserted-at-boot": "the power key is pressed while the host boots",
    "key-floats": "nothing defines the level of the power key",
    "radios-disabled-at-boot": "the radios are disabled while the host boots",
    "radio-disable-floats": "nothing defines the level of the radio-disable pin",
    "uart-open": "the host's UART does not reach the module's",
    "uart-crossed": "transmit meets transmit",
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

    *fresh* makes the board anew, unpowered and untouched; *uart_pins* are the header pins of the host's
    transmit and receive, where the host says so.
    """

    fresh: Callable[[Timeline, Recorder], Board]
    paths: tuple[PinPath, ...]
    uart_pins: tuple[str, str] | None = None

    def powered(self, *, booting: bool) -> Board:
        """The board with everything powered, the host's lines in their boot state, or all let go."""
        timeline = Timeline()
        board = self.fresh(timeline, Recorder(timeline))
        board.start(supply=True)
        if not booting:
            for pin in board.wiring.header:
                line = board.lines.on_pin(pin)
                if line is not None:
                    line.make_input(by="review")
        return board

    def paths_of(self, module_pin: str) -> tuple[PinPath, ...]:
        """The paths that end or begin at *module_pin*."""
        return tuple(path for path in self.paths if path.module_pin == module_pin)

    def proof(self, module_pin: str) -> str:
        """The paths of *module_pin* as text; closed ones where there are any."""
        found = self.paths_of(module_pin)
        closed = [path for path in found if not path.open_at]
        return "; ".join(map(str, closed or found)) or f"{module_pin} is not connected to the header"


def review(board: ReviewedBoard) -> list[Finding]:
    """Everything there is to say, in the order of `NAMES`."""
    found = [finding for rule in _RULES for finding in rule(board)]
    order = list(NAMES)
    return sorted(found, key=lambda finding: order.index(finding.name))


def _key(board: ReviewedBoard) -> Iterator[Finding]:
    let_go, booting = board.powered(booting=False), board.powered(booting=True)
    proof = board.proof("POWER_KEY")
    pins = tuple(path.pin for path in board.paths_of("POWER_KEY"))
    if let_go.is_asserted("POWER_KEY") and let_go.route("POWER_KEY") is None:
        yield Finding(
            name="key-always-asserted",
            pins=pins,
            proof=proof,
            consequence="the module starts with the supply and cannot be stopped; the header pin is idle",
            cure="set the jumper to the header if the host is to switch the module; else leave the key alone",
        )
    elif booting.is_asserted("POWER_KEY"):
        yield Finding(
            name="key-asserted-at-boot",
            pins=pins,
            proof=proof,
            consequence="each boot of the host presses the key: what is off starts, what runs may stop",
            cure="boot the line to the other level, or pull the header pin to it",
        )
    if let_go.floats("POWER_KEY"):
        yield Finding(
            name="key-floats",
            pins=pins,
            proof=proof,
            consequence="the module starts or stops by itself, by temperature and humidity",
            cure="pull the net to the level at which the key is at rest",
        )


def _radio(board: ReviewedBoard) -> Iterator[Finding]:
    let_go, booting = board.powered(booting=False), board.powered(booting=True)
    proof = board.proof("RADIO_DISABLE")
    pins = tuple(path.pin for path in board.paths_of("RADIO_DISABLE"))
    if booting.is_asserted("RADIO_DISABLE"):
        yield Finding(
            name="radios-disabled-at-boot",
            pins=pins,
            proof=proof,
            consequence="the module does not register until the line is changed; +CFUN? reads 4",
            cure="boot the line to the other level, or have the first script drive it there",
        )
    if let_go.floats("RADIO_DISABLE"):
        yield Finding(
            name="radio-disable-floats",
            pins=pins,
            proof=proof,
            consequence="the radios fall silent by themselves, for no reason that a log shows",
            cure="pull the net to the level at which the radios work",
        )


def _uart(board: ReviewedBoard) -> Iterator[Finding]:
    if board.uart_pins is None:
        return
    transmit, receive = board.uart_pins
    by_pin = {path.pin: path for path in board.paths if path.module_pin in ("UART_RX", "UART_TX")}
    for pin, wanted, wrong in ((transmit, "UART_RX", "UART_TX"), (receive, "UART_TX", "UART_RX")):
        path = by_pin.get(pin)
        if path is not None and path.module_pin == wrong:
            yield Finding(
                name="uart-crossed",
                pins=(pin,),
                proof=str(path),
                consequence="neither side hears the other, and two outputs fight",
                cure="swap the two lines",
            )
        elif path is None or path.open_at:
            yield Finding(
                name="uart-open",
                pins=(pin,),
                proof=str(path) if path else f"pin {pin} reaches neither {wanted} nor {wrong}",
                consequence="the module is deaf or dumb on its UART; on USB all is well",
                cure=f"close {', '.join(path.open_at)}" if path else f"connect pin {pin} with {wanted}",
            )


_RULES: Final = (_key, _radio, _uart)
