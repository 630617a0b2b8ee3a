"""Rules about the pins that the host controls the module by: power key and radio disable."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .finding import ReviewedBoard


def key(board: ReviewedBoard) -> Iterator[Finding]:
    """The power key: held, pressed by a boot, held by nothing."""
    let_go, booting = board.powered(booting=False), board.powered(booting=True)
    proof, pins = board.proof("POWER_KEY"), board.pins_of("POWER_KEY")
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
    if _is_held_by_nothing(board, "POWER_KEY"):
        yield Finding(
            name="key-floats",
            pins=pins,
            proof=proof,
            consequence="the module starts or stops by itself, by temperature and humidity",
            cure="pull the net to the level at which the key is at rest",
        )


def radio(board: ReviewedBoard) -> Iterator[Finding]:
    """Radio disable: asserted by a boot, held by nothing."""
    proof, pins = board.proof("RADIO_DISABLE"), board.pins_of("RADIO_DISABLE")
    if board.powered(booting=True).is_asserted("RADIO_DISABLE"):
        yield Finding(
            name="radios-disabled-at-boot",
            pins=pins,
            proof=proof,
            consequence="the module does not register until the line is changed; +CFUN? reads 4",
            cure="boot the line to the other level, or have the first script drive it there",
        )
    if _is_held_by_nothing(board, "RADIO_DISABLE"):
        yield Finding(
            name="radio-disable-floats",
            pins=pins,
            proof=proof,
            consequence="the radios fall silent by themselves, for no reason that a log shows",
            cure="pull the net to the level at which the radios work",
        )


def polarity(board: ReviewedBoard) -> Iterator[Finding]:
    """A line whose user believes in the other level."""
    let_go = board.powered(booting=False)
    for module_pin in ("POWER_KEY", "RADIO_DISABLE", "STATUS"):
        route = let_go.route(module_pin)
        if route is None or board.believed.get(route.pin) in (None, route.active_high):
            continue
        level, other = ("high", "low") if route.active_high else ("low", "high")
        yield Finding(
            name="polarity-inverted",
            pins=(route.pin,),
            proof=board.proof(module_pin),
            consequence=f"driven {other}, as its user believes, pin {route.pin} does the opposite",
            cure=f"{module_pin} is active at {level} on pin {route.pin}: drive it so",
        )


def _is_held_by_nothing(board: ReviewedBoard, module_pin: str) -> bool:
    """Whether the pin's own net, or a stage's input on the way to it, floats while the host lets go."""
    let_go = board.powered(booting=False)
    if let_go.floats(module_pin):
        return True
    solution = let_go.reader.picture(let_go.state()).solution
    controls = [path for path in board.paths_of(module_pin) if not path.open_at]
    return any(
        solution.floats(f"{hop.part}.{terminal}")
        for path in controls
        for hop in path.hops
        for terminal, kind in (("base", "npn-stage"), ("gate", "nmos-stage"))
        if hop.kind == kind
    )
