"""Each pin's path through the carrier as a drawing: a bench in, SVG out.

One row for each path: header pin, parts in line, module pin; what hangs on a net hangs below it.  Where
every text lies is worked out first, with room for a wide font; a test sees to it that no two meet.  Open
contacts are drawn open, dashed and named OPEN: nothing is told by colour alone.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from textwrap import wrap
from typing import TYPE_CHECKING, Any, Final
from xml.etree import ElementTree as ET

from simulator.board import parts
from simulator.board.paths import PathFinder

from .symbols import draw_branch, draw_symbol

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.bench.files import BenchDescription
    from simulator.board.parts import Part
    from simulator.board.paths import Hop, PinPath
    from simulator.board.wiring import Wiring

INK: Final = "#1d2b36"
FAINT: Final = "#6b7a86"
WARN: Final = "#a33a00"

# Sizes in pixels; a character is never wider than this share of its height in the fonts asked for.
_CHARACTER: Final = 0.62
_TEXT: Final = 12
_SMALL: Final = 10
_MARGIN: Final = 24
_END_WIDTH: Final = 152
_PART_WIDTH: Final = 64
_GAP: Final = 14
_AXIS: Final = 74  # from a row's top to its wire
_ROW: Final = 128
_BRANCH: Final = 10
_NOTE_CHARACTERS: Final = 120
_MOST_LINES: Final = 4


@dataclass(frozen=True, slots=True, kw_only=True)
class Placed:
    """One text and the box that it needs."""

    text: str
    x: float
    y: float
    width: float
    height: float

    def meets(self, other: Placed) -> bool:
        """Whether the two boxes overlap."""
        apart_x = self.x + self.width <= other.x or other.x + other.width <= self.x
        apart_y = self.y + self.height <= other.y or other.y + other.height <= self.y
        return not (apart_x or apart_y)


@dataclass(slots=True)
class Drawing:
    """The SVG being drawn, and every text on it so far."""

    root: ET.Element
    texts: list[Placed] = field(default_factory=list)
    width: float = 0.0

    def text(
        self, text: str, x: float, y: float, *, size: int = _SMALL, colour: str = INK, bold: bool = False
    ) -> None:
        """Write *text* centred on *x*, its baseline at *y*."""
        width = width_of(text, size)
        self.texts.append(
            Placed(text=text, x=x - width / 2, y=y - 0.8 * size, width=width, height=1.05 * size)
        )
        self.width = max(self.width, x + width / 2)
        element = ET.SubElement(
            self.root,
            "text",
            {
                "x": f"{x:g}",
                "y": f"{y:g}",
                "font-size": str(size),
                "fill": colour,
                "text-anchor": "middle",
                **({"font-weight": "bold"} if bold else {}),
            },
        )
        element.text = text


def width_of(text: str, size: int) -> float:
    """The room that *text* needs, in pixels."""
    return len(text) * size * _CHARACTER


def draw(description: BenchDescription, report: dict[str, Any]) -> Drawing:
    """The drawing of a bench; *report* is that of `wiring_report`."""
    settings = description.settings
    root = ET.Element("svg", {"xmlns": "http://www.w3.org/2000/svg", "role": "img"})
    title = f"{report['wiring']} on bench {report['bench']}: what each header pin reaches"
    ET.SubElement(root, "title").text = title
    ET.SubElement(root, "desc").text = "; ".join(path for pin in report["pins"] for path in pin["paths"])
    background = ET.SubElement(root, "rect", {"width": "100%", "height": "100%", "fill": "#ffffff"})
    drawing = Drawing(root)
    drawing.text(title, _MARGIN + width_of(title, 14) / 2, _MARGIN + 10, size=14, bold=True)
    top: float = _MARGIN + 24
    does = {pin["pin"]: pin for pin in report["pins"]}
    for path in PathFinder(settings.wiring, settings.positions).paths():
        top += _Row(drawing, settings.wiring, path, does[path.pin], top).draw()
    top = _notes(drawing, report["findings"], top)
    width, height = drawing.width + _MARGIN, top + _MARGIN
    root.set("viewBox", f"0 0 {width:g} {height:g}")
    root.set("width", f"{width:g}")
    root.set("height", f"{height:g}")
    root.set("font-family", "DejaVu Sans Mono, Liberation Mono, Menlo, Consolas, monospace")
    background.set("width", f"{width:g}")
    background.set("height", f"{height:g}")
    return drawing


def svg(drawing: Drawing) -> str:
    """The drawing as the text of an SVG file."""
    ET.indent(drawing.root)
    return '<?xml version="1.0" encoding="UTF-8"?>\n' + ET.tostring(drawing.root, encoding="unicode") + "\n"


class _Row:
    """One path, drawn from left to right in the direction of the signal."""

    def __init__(
        self, drawing: Drawing, wiring: Wiring, path: PinPath, pin: dict[str, Any], top: float
    ) -> None:
        self._drawing, self._wiring, self._path, self._pin = drawing, wiring, path, pin
        self._axis = top + _AXIS
        self._x: float = _MARGIN
        self._hanging = 0

    def draw(self) -> float:
        """Draw the row; its height."""
        header, module = self._wiring.header, self._wiring.module
        net = header[self._path.pin]
        if self._path.direction == "to module":
            self._header_end()
        else:
            net = module[self._path.module_pin]  # type: ignore[index] # names of the wiring's own
            self._module_end()
        for hop in self._path.hops:
            self._wire(net)
            self._part(hop)
            net = hop.net
        self._wire(net)
        if self._path.direction == "to module":
            self._module_end()
        else:
            self._header_end()
        return _ROW + (_BRANCH if self._hanging else 0)

    def _header_end(self) -> None:
        pin = self._pin
        lines = [f"pin {pin['pin']}"]
        if pin["line"] is not None:
            lines.append(pin["name"] or f"line {pin['line']}")
        self._end(lines)
        x = self._x - _END_WIDTH / 2
        for number, text in enumerate(self._effects()):
            self._drawing.text(text, x, self._axis + 34 + 13 * number, colour=FAINT)

    def _effects(self) -> list[str]:
        """What this path does, in lines short enough for its end of the row."""
        found = [text for text in self._pin["does"] if len(self._pin["paths"]) == 1 or self._is_about(text)]
        room = int((_END_WIDTH + _GAP) / (_SMALL * _CHARACTER))
        clauses = [clause for text in found for clause in text.split("; ")]
        return [line for clause in clauses for line in wrap(clause, room)][:_MOST_LINES]

    def _is_about(self, text: str) -> bool:
        return self._path.module_pin in text or (
            self._path.module_pin == "SUPPLY" and text.startswith("feeds")
        )

    def _module_end(self) -> None:
        self._end([self._path.module_pin, "module"])

    def _end(self, lines: list[str]) -> None:
        ET.SubElement(
            self._drawing.root,
            "rect",
            {
                "x": f"{self._x:g}",
                "y": f"{self._axis - 20:g}",
                "width": str(_END_WIDTH),
                "height": "40",
                "rx": "3",
                "fill": "#f2f5f1",
                "stroke": INK,
            },
        )
        for number, text in enumerate(lines):
            y = self._axis + (4 if len(lines) == 1 else -4 + 15 * number)
            self._drawing.text(text, self._x + _END_WIDTH / 2, y, size=_TEXT, bold=number == 0)
        self._x += _END_WIDTH
        self._drawing.width = max(self._drawing.width, self._x)

    def _wire(self, net: str) -> None:
        """A stretch of wire with the net's name above and what hangs on the net below."""
        branches = list(self._branches(net))
        room = sum(width + _GAP for _, _, width in branches)
        width = max(width_of(net, _SMALL) + 2 * _GAP, room + _GAP)
        self._line(self._x, self._x + width)
        self._drawing.text(net, self._x + width / 2, self._axis - 6, colour=FAINT)
        x = self._x + (width - room) / 2
        for part, lines, branch_width in branches:
            centre = x + (branch_width + _GAP) / 2
            draw_branch(self._drawing.root, part, centre, self._axis)
            for number, text in enumerate(lines):
                self._drawing.text(text, centre, self._axis + 52 + 12 * number)
            x += branch_width + _GAP
            self._hanging = max(self._hanging, len(lines))
        self._x += width

    def _branches(self, net: str) -> Iterator[tuple[Part, list[str], float]]:
        on_path = {hop.part for hop in self._path.hops}
        for name, part in self._wiring.parts.items():
            if name in on_path or net not in parts.nets_of(part):
                continue
            if isinstance(part, parts.Pull) and part.net == net:
                lines = [name, f"{_ohm(part.ohm)} to {part.to}"]
            elif isinstance(part, parts.Capacitor):
                lines = [name, _farad(part.farad)]
            else:
                continue
            yield part, lines, max(width_of(text, _SMALL) for text in lines)

    def _part(self, hop: Hop) -> None:
        part = self._wiring.parts[hop.part]
        facts = _facts(part, hop)
        width = max(_PART_WIDTH, *(width_of(text, _SMALL) for text in (hop.part, *facts))) + _GAP
        centre = self._x + width / 2
        self._line(self._x, centre - _PART_WIDTH / 2)
        self._line(centre + _PART_WIDTH / 2, self._x + width)
        draw_symbol(self._drawing.root, part, hop, centre, self._axis)
        self._drawing.text(hop.part, centre, self._axis - 44, bold=True)
        for number, text in enumerate(facts):
            is_open = text == "OPEN"
            y = self._axis + 34 + 12 * number
            self._drawing.text(text, centre, y, colour=WARN if is_open else INK, bold=is_open)
        self._x += width

    def _line(self, x1: float, x2: float) -> None:
        y = f"{self._axis:g}"
        ET.SubElement(
            self._drawing.root, "line", {"x1": f"{x1:g}", "y1": y, "x2": f"{x2:g}", "y2": y, "stroke": INK}
        )


def _facts(part: Part, hop: Hop) -> list[str]:
    """What is to be known of a part, in short lines."""
    facts = _values(part)
    if hop.note:
        facts.append(hop.note)
    if hop.inverts:
        facts.append("inverts")
    if hop.is_open:
        facts.append("OPEN")
    return facts


def _values(part: Part) -> list[str]:  # noqa: PLR0911 # one row for each kind
    match part:
        case parts.Resistor() | parts.Cable():
            return [_ohm(part.ohm)]
        case parts.RcLine():
            return [f"{_ohm(part.ohm)}, {_farad(part.farad)}"]
        case parts.NpnStage():
            return ["NPN stage"]
        case parts.NmosStage():
            return ["N-MOS stage"]
        case parts.LevelShifter():
            return [f"{part.input_supply}", f"to {part.output_supply}"]
        case parts.Regulator():
            return [f"{part.volts:g} V, {part.limit_a:g} A"]
        case _:
            return []


def _ohm(ohm: float) -> str:
    for limit, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if ohm >= limit:
            return f"{ohm / limit:g} {unit}"
    return f"{ohm:g} ohm"


def _farad(farad: float) -> str:
    for limit, unit in ((1e-6, "uF"), (1e-9, "nF")):
        if farad >= limit:
            return f"{farad / limit:g} {unit}"
    return f"{farad * 1e12:g} pF"


def _notes(drawing: Drawing, findings: list[dict[str, Any]], top: float) -> float:
    """The findings as numbered notes beneath the rows."""
    for number, finding in enumerate(findings, start=1):
        pins = f", pin {', '.join(finding['pins'])}" if finding["pins"] else ""
        heading = f"{number}  {finding['name']}{pins}"
        rows = [heading]
        for key in ("consequence", "cure"):
            rows += [f"   {line}" for line in wrap(f"{key}: {finding[key]}", _NOTE_CHARACTERS)]
        for row in rows:
            text = row.lstrip()
            indent = (len(row) - len(text)) * _TEXT * _CHARACTER
            x = _MARGIN + indent + width_of(text, _TEXT) / 2
            bold = row is heading
            drawing.text(text, x, top + 12, size=_TEXT, colour=WARN if bold else INK, bold=bold)
            top += 17
        top += 8
    return top
