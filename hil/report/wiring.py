"""What each header pin does, on the bench of a file: facts for the terminal and for programs."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Final

from simulator.board.findings import ReviewedBoard, review
from simulator.board.paths import PathFinder
from simulator.model import build_board

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.bench.files import BenchDescription
    from simulator.board.board import Board
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
}


def wiring_report(description: BenchDescription) -> dict[str, Any]:
    """Pins with their paths, effects and state at boot, and the findings."""
    settings = description.settings
    paths = tuple(PathFinder(settings.wiring, settings.positions).paths())
    uart = settings.host.uart_pins
    reviewed = ReviewedBoard(
        fresh=lambda timeline, recorder: build_board(
            settings, description.profile, timeline=timeline, recorder=recorder
        ),
        paths=paths,
        uart_pins=(uart.tx, uart.rx) if uart else None,
    )
    booting = reviewed.powered(booting=True)
    pins = [_pin(pin, paths, booting) for pin in sorted(settings.wiring.header, key=int)]
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
        "pins": pins,
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
    }
    if line is not None:
        level = booting.level_at(pin)
        facts["at_boot"] = {"set_to": line.boot, "level": None if level is None else int(level)}
    return facts


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
        if "at_boot" in pin:
            level = {None: "floating", 0: "low", 1: "high"}[pin["at_boot"]["level"]]
            lines.append(f"  while the host boots: {pin['at_boot']['set_to']}, so the pin is {level}")
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
