"""The symbols of parts, drawn around a point on a wire.  Knows no text and no layout."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final
from xml.etree import ElementTree as ET

from simulator.board import parts

if TYPE_CHECKING:
    from simulator.board.parts import Part
    from simulator.board.paths import Hop

_INK: Final = "#1d2b36"
_WARN: Final = "#a33a00"
_FILL: Final = "#ffffff"
_HALF: Final = 32  # half of the width that a symbol has on its wire


def draw_symbol(root: ET.Element, part: Part, hop: Hop, x: float, y: float) -> None:
    """Draw *part* in line, centred on (x, y); 64 wide, at most 40 high."""
    match part:
        case parts.Jumper() | parts.SlideSwitch():
            _contact(root, x, y, is_open=hop.is_open)
        case parts.NpnStage() | parts.NmosStage():
            _stage(root, x, y)
        case parts.LevelShifter():
            _shifter(root, part, x, y)
        case parts.Cable():
            _line(root, x - _HALF, y - 3, x + _HALF, y - 3)
            _line(root, x - _HALF, y + 3, x + _HALF, y + 3)
        case parts.Diode():
            _line(root, x - _HALF, y, x + _HALF, y)
            _strokes(root, x, y, ((-8, -9), (-8, 9), (8, 0), (-8, -9)), fill=_FILL)
            _line(root, x + 8, y - 9, x + 8, y + 9)
        case parts.Resistor():
            _box(root, x - 22, y - 8, 44, 16)
            _leads(root, x, y, 22)
        case parts.RcLine():
            _box(root, x - 26, y - 8, 36, 16)
            _line(root, x - _HALF, y, x - 26, y)
            _line(root, x + 10, y, x + _HALF, y)
            _line(root, x + 21, y, x + 21, y + 8)
            _plates(root, x + 21, y + 8)
        case _:
            _box(root, x - _HALF, y - 18, 2 * _HALF, 36)
            _strokes(root, x, y, ((-10, 0), (10, 0)), ((4, -5), (10, 0), (4, 5)))


def draw_branch(root: ET.Element, part: Part, x: float, y: float) -> None:
    """Draw what hangs on a net, from the wire at *y* downwards; 38 high."""
    _dot(root, x, y)
    _line(root, x, y, x, y + 8)
    if isinstance(part, parts.Capacitor):
        _plates(root, x, y + 8)
        return
    _box(root, x - 5, y + 8, 10, 22)
    _line(root, x, y + 30, x, y + 38)


def _plates(root: ET.Element, x: float, y: float) -> None:
    _line(root, x - 9, y, x + 9, y)
    _line(root, x - 9, y + 5, x + 9, y + 5)
    _line(root, x, y + 5, x, y + 14)
    _line(root, x - 6, y + 14, x + 6, y + 14)


def _contact(root: ET.Element, x: float, y: float, *, is_open: bool) -> None:
    _line(root, x - _HALF, y, x - 16, y)
    _line(root, x + 16, y, x + _HALF, y)
    _dot(root, x - 16, y)
    _dot(root, x + 16, y)
    if is_open:
        _line(root, x - 16, y, x + 12, y - 16, colour=_WARN, dashed=True)
    else:
        _line(root, x - 16, y, x + 16, y, width=3)


def _stage(root: ET.Element, x: float, y: float) -> None:
    """A transistor that pulls its output to ground: input from the left, output to the right."""
    _line(root, x - _HALF, y, x - 8, y)
    ET.SubElement(
        root,
        "circle",
        {"cx": f"{x:g}", "cy": f"{y:g}", "r": "18", "fill": _FILL, "stroke": _INK},
    )
    _line(root, x - 18, y, x - 6, y)
    _line(root, x - 6, y - 10, x - 6, y + 10, width=2)
    _strokes(root, x, y, ((-6, -4), (6, -12), (18, -12), (26, 0), (_HALF, 0)))
    _strokes(root, x, y, ((-6, 4), (6, 12), (6, 22)), ((0, 22), (12, 22)))


def _shifter(root: ET.Element, part: parts.LevelShifter, x: float, y: float) -> None:
    _box(root, x - _HALF, y - 18, 2 * _HALF, 36)
    _line(root, x, y - 18, x, y + 18, dashed=True)
    _strokes(root, x, y, ((-18, 0), (18, 0)), ((11, -6), (18, 0), (11, 6)))
    if part.direction != "fixed":
        _strokes(root, x, y, ((-11, -6), (-18, 0), (-11, 6)))


def _leads(root: ET.Element, x: float, y: float, half: float) -> None:
    _line(root, x - _HALF, y, x - half, y)
    _line(root, x + half, y, x + _HALF, y)


def _line(
    root: ET.Element,
    x1: float,
    y1: float,
    x2: float,
    y2: float,
    *,
    width: float = 1,
    colour: str = _INK,
    dashed: bool = False,
) -> None:
    ET.SubElement(
        root,
        "line",
        {
            "x1": f"{x1:g}",
            "y1": f"{y1:g}",
            "x2": f"{x2:g}",
            "y2": f"{y2:g}",
            "stroke": colour,
            "stroke-width": f"{width:g}",
            **({"stroke-dasharray": "4 3"} if dashed else {}),
        },
    )


def _box(root: ET.Element, x: float, y: float, width: float, height: float) -> None:
    ET.SubElement(
        root,
        "rect",
        {
            "x": f"{x:g}",
            "y": f"{y:g}",
            "width": f"{width:g}",
            "height": f"{height:g}",
            "fill": _FILL,
            "stroke": _INK,
        },
    )


def _strokes(
    root: ET.Element, x: float, y: float, *lines: tuple[tuple[float, float], ...], fill: str = "none"
) -> None:
    """Lines through points that are given from (x, y)."""
    data = " ".join(
        "M" + " L".join(f"{x + right:g} {y + down:g}" for right, down in points) for points in lines
    )
    ET.SubElement(root, "path", {"d": data, "fill": fill, "stroke": _INK})


def _dot(root: ET.Element, x: float, y: float) -> None:
    ET.SubElement(root, "circle", {"cx": f"{x:g}", "cy": f"{y:g}", "r": "2.5", "fill": _INK})
