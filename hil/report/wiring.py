"""What each header pin does, on the bench of a file: facts for the terminal and for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from simulator.board.feed import supply_path
from simulator.board.margins import margins
from simulator.board.paths import PathFinder
from simulator.board.review.finding import ReviewedBoard
from simulator.board.review.rules import review
from simulator.board.review.supply import dips
from simulator.model import build_board
from simulator.module.consumption import all_demands

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.bench.files import BenchDescription
    from simulator.board.board import Board
    from simulator.board.margins import Margin
    from simulator.board.paths import PinPath

# What an asserted input of the module, or an active output, means.
_EFFECTS: Final = {
    "POWER_KEY": ("presses the power key", "leaves it at rest"),
    "RADIO_DISABLE": ("disables the radios", "lets them work"),
    "STATUS": ("tells that the module is on", "tells that it is off"),
}
_SIGNALS: Final = {
    "SUPPLY": "feeds the module",
    "UART_RX": "carries what the host sends to the module",
    "UART_TX": "carries what the module sends to the host",
    "UART_RTS": "tells the module whether the host takes characters",
    "UART_CTS": "tells the host whether the module takes characters",
}


def reviewed_board(description: BenchDescription) -> ReviewedBoard:
    """The bench's board as its reviewer sees it: by the profile, not by what this one unit does."""
    settings, profile = description.settings, description.profile
    uart = settings.host.uart_pins
    return ReviewedBoard(
        fresh=lambda timeline, recorder: build_board(settings, profile, timeline=timeline, recorder=recorder),
        paths=tuple(PathFinder(settings.wiring, settings.positions).paths()),
        uart_pins=(uart.tx, uart.rx) if uart else None,
        believed={
            pin: line.active == "high" for pin, line in settings.host.lines.items() if line.active is not None
        },
        press_s=profile.key.start_s.relied_on,
        key_after_s=profile.key.dead_after_supply_s,
        source=settings.supply,
        supply_path=supply_path(settings.wiring, settings.positions),
        needs=profile.supply,
        demands=all_demands(profile.currents, settings.network.technology),
    )


def wiring_report(description: BenchDescription) -> dict[str, Any]:
    """Pins with their paths, effects, margins and state at boot, the rail, and the findings."""
    settings = description.settings
    reviewed = reviewed_board(description)
    booting = reviewed.powered(booting=True)
    findings = [
        {
            "name": finding.name,
            "pins": list(finding.pins),
            "proof": finding.proof,
            "consequence": finding.consequence,
            "cure": finding.cure,
        }
        for finding in review(reviewed)
    ]
    return {
        "bench": description.file.bench.name,
        "module": description.profile.name,
        "wiring": settings.wiring.name,
        "pins": [_pin(pin, reviewed.paths, booting) for pin in sorted(settings.wiring.header, key=int)],
        "rail": _rail(reviewed),
        "findings": findings,
    }


def _pin(pin: str, paths: tuple[PinPath, ...], booting: Board) -> dict[str, Any]:
    line = booting.lines.on_pin(pin)
    reached = [path for path in paths if path.pin == pin]
    facts: dict[str, Any] = {
        "pin": pin,
        "line": line.offset if line else None,
        "name": line.name if line else "",
        "paths": [str(path) for path in reached],
        "does": [text for path in reached for text in _does(path, booting)],
        "margins": [_margin(margin) for path in reached for margin in margins(booting, path)],
    }
    if line is not None:
        level = booting.level_at(pin)
        facts["at_boot"] = {"set_to": line.boot, "level": None if level is None else int(level)}
    return facts


def _margin(margin: Margin) -> dict[str, Any]:
    return {
        "driven": "high" if margin.driven else "low",
        "at": margin.at,
        "reads": "high" if margin.expected else "low",
        "volts": round(margin.volts, 4),
        "limit_v": round(margin.limit_v, 4),
        "bears_v": round(margin.most_v, 4),
        "left_mv": round(margin.left_v * 1000),
        "text": str(margin),
    }


def _rail(reviewed: ReviewedBoard) -> list[dict[str, Any]]:
    """The rail under each thing that the module draws."""
    if reviewed.supply_path.is_open:
        return []
    return [
        {
            "while": dip.demand.label,
            "amps": round(dip.demand.amps + dip.demand.burst_a, 6),
            "lowest_v": round(dip.low_v, 4),
            "left_mv": round((dip.low_v - reviewed.needs.lockout_v) * 1000),
        }
        for dip in dips(reviewed)
    ]


def _does(path: PinPath, board: Board) -> Iterator[str]:
    if path.open_at:
        yield f"nothing: the way to {path.module_pin} is open at {', '.join(path.open_at)}"
        return
    if path.module_pin in _SIGNALS:
        yield _SIGNALS[path.module_pin]
        return
    route = board.route(path.module_pin)
    if route is None or route.pin != path.pin:
        yield f"reaches {path.module_pin}, which no GPIO line of this pin can change"
        return
    active, rest = _EFFECTS[path.module_pin]
    yield f"{_level(route.active_high)} {active}; {_level(not route.active_high)} {rest}"


def _level(high: bool) -> str:
    return "high" if high else "low"


def as_text(report: dict[str, Any]) -> str:
    """The report for a terminal."""
    lines = [f"bench {report['bench']}: {report['module']} on {report['wiring']}", ""]
    for pin in report["pins"]:
        title = f"pin {pin['pin']}"
        if pin["line"] is not None:
            title += f"  line {pin['line']}" + (f" {pin['name']}" if pin["name"] else "")
        lines.append(title)
        lines += [f"  {path}" for path in pin["paths"]] or ["  not connected to the module"]
        lines += [f"  {text}" for text in pin["does"]]
        lines += [f"    {margin['text']}" for margin in pin["margins"]]
        if "at_boot" in pin:
            level = {None: "floating", 0: "low", 1: "high"}[pin["at_boot"]["level"]]
            lines.append(f"  while the host boots: {pin['at_boot']['set_to']}, so the pin is {level}")
        lines.append("")
    if report["rail"]:
        lines.append("the module's rail, at its lowest")
        lines += [
            f"  {row['while']:<14} {row['amps']:8.3f} A  {row['lowest_v']:.3f} V,"
            f" {row['left_mv']} mV above the lock-out"
            for row in report["rail"]
        ]
        lines.append("")
    if not report["findings"]:
        lines.append("no findings")
    for finding in report["findings"]:
        lines += [
            f"finding {finding['name']}, pin {', '.join(finding['pins']) or '-'}",
            f"  proof        {finding['proof']}",
            f"  consequence  {finding['consequence']}",
            f"  cure         {finding['cure']}",
            "",
        ]
    return "\n".join(lines).rstrip()
