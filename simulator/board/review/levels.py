"""Rules about voltages: margins, level shifters, feeding back, what is not brought out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.board.margins import floats_at_its_end, margins
from simulator.board.parts import LevelShifter, Pull

from .finding import Finding
from .uart import uart

if TYPE_CHECKING:
    from collections.abc import Iterator

    from simulator.board.board import Board
    from simulator.board.margins import Margin
    from simulator.board.paths import PinPath

    from .finding import ReviewedBoard

# A supply that should be at nothing and is above this is fed from somewhere (common practice, no source).
_FED_V: Final = 0.3
_I2C: Final = ("I2C_SDA", "I2C_SCL")


def mismatch(board: ReviewedBoard) -> Iterator[Finding]:
    """A level that does not arrive, for whatever reason, and shifters that are that reason."""
    let_go = board.powered(booting=False)
    crossed = {pin for finding in uart(board) if finding.name == "uart-crossed" for pin in finding.pins}
    for path in board.paths:
        if path.pin in crossed or floats_at_its_end(let_go, path):
            continue  # these have findings of their own
        missed = [margin for margin in margins(let_go, path) if margin.is_missed]
        if not missed:
            continue
        worst = min(missed, key=lambda margin: min(margin.left_v, margin.bears_v))
        blamed = _blamed_shifter(let_go, path)
        if blamed is None:
            yield _mismatch(path, worst)
        else:
            yield Finding(
                name="shifter-wrong-kind",
                pins=(path.pin,),
                proof=f"{path}; {worst}",
                consequence="the level is in between or stuck: it works on one board and not on the next",
                cure=f"{blamed} fights what else is on its nets: remove the pull, or use a fixed buffer",
            )


def _mismatch(path: PinPath, worst: Margin) -> Finding:
    if worst.bears_v < 0:
        consequence = (
            f"{worst.at} gets {-worst.bears_v * 1000:.0f} mV more than it bears: it may be destroyed"
        )
    else:
        consequence = f"{worst.at} misses its level by {-worst.left_v * 1000:.0f} mV: it may read either"
    return Finding(
        name="level-mismatch",
        pins=(path.pin,),
        proof=f"{path}; {worst}",
        consequence=consequence,
        cure="put a level shifter, a stage or a divider between, with the supplies of both sides",
    )


def _blamed_shifter(board: Board, path: PinPath) -> str | None:
    """The shifter with a direction of its own without which a plain buffer would do."""
    for hop in path.hops:
        part = board.wiring.parts[hop.part]
        if not isinstance(part, LevelShifter) or part.direction == "fixed":
            continue
        here, there = part.input, part.output
        supplies = part.input_supply, part.output_supply
        if hop.net == part.input:
            here, there, supplies = there, here, supplies[::-1]
        buffer = LevelShifter(
            kind="level-shifter",
            input=here,
            output=there,
            input_supply=supplies[0],
            output_supply=supplies[1],
        )
        mended = board.with_parts({hop.part: buffer})
        if not any(margin.is_missed for margin in margins(mended, path)):
            return hop.part
    return None


def shifters(board: ReviewedBoard) -> Iterator[Finding]:
    """Shifters whose supply is not there when they are needed."""
    let_go = board.powered(booting=False)
    wiring = let_go.wiring
    for path in board.paths:
        for hop in path.hops:
            part = wiring.parts[hop.part]
            if not isinstance(part, LevelShifter):
                continue
            for rail_name in (part.input_supply, part.output_supply):
                rail = wiring.rails[rail_name]
                if rail.volts <= 0 or (rail.powered_by == "module-on" and path.module_pin == "POWER_KEY"):
                    yield Finding(
                        name="shifter-unpowered",
                        pins=(path.pin,),
                        proof=f"{path}; {hop.part} hangs on {rail_name}",
                        consequence=f"nothing passes {hop.part} before the module is on: none can start it",
                        cure=f"supply {hop.part} from a rail that is there without the module",
                    )
                elif rail.after_s > board.key_after_s:
                    yield Finding(
                        name="shifter-late",
                        pins=(path.pin,),
                        proof=f"{path}; {rail_name} comes {rail.after_s:g} s after its power",
                        consequence=f"for {rail.after_s:g} s nothing passes {hop.part}: early bytes are lost",
                        cure="wait for the rail before the first press or byte, or power it earlier",
                    )


def back_feed(board: ReviewedBoard) -> Iterator[Finding]:
    """What the host's lines at rest put into a module without supply."""
    let_go = board.powered(booting=False)
    unpowered = let_go.all_powered(but=("module", "module-on", "supply"))
    rest = {
        route.pin: not route.active_high
        for module_pin in ("POWER_KEY", "RADIO_DISABLE")
        if (route := let_go.route(module_pin)) is not None
    }
    at_rest = unpowered
    for pin, level in rest.items():
        at_rest = at_rest.driving(pin, level)
    fed = let_go.reader.fed_v(at_rest)
    if fed < _FED_V:
        return
    guilty = [pin for pin in rest if fed - let_go.reader.fed_v(at_rest.driving(pin, level=None)) > _FED_V / 2]
    if board.uart_pins is not None and not guilty:
        guilty = [board.uart_pins[0]]
    paths = "; ".join(str(path) for path in board.paths if path.pin in guilty)
    yield Finding(
        name="back-feed",
        pins=tuple(guilty),
        proof=f"{paths or 'a pull to a rail of the host'};"
        f" without any supply the module's own is at {fed:.2f} V",
        consequence="the module is never fully off: it starts badly or not at all when the supply returns",
        cure="let the lines go or drive them low while the module has no supply, or put a buffer between",
    )


def tied_off(board: ReviewedBoard) -> Iterator[Finding]:
    """An interface that ends on the carrier."""
    let_go = board.powered(booting=False)
    wiring = let_go.wiring
    reached = {path.module_pin for path in board.paths}
    lost = [pin for pin in _I2C if pin in wiring.module and pin not in reached]
    if not lost:
        return
    nets = {wiring.module[pin] for pin in lost}
    pulls = [name for name, part in wiring.parts.items() if isinstance(part, Pull) and part.net in nets]
    yield Finding(
        name="interface-tied-off",
        pins=(),
        proof=f"{', '.join(lost)} end at {', '.join(pulls) or 'nothing'}; no header pin reaches them",
        consequence="the module's I2C cannot be used from the host; nothing else suffers",
        cure="none needed, unless the interface is: then a carrier that brings it out",
    )
