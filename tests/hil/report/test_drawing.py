"""The drawing of the paths: whole, readable, and as it was when somebody last looked at it.

`drawings/` holds the drawings of both carriers as they were looked at.  After a change that is meant:
`WAKEBENCH_RENEW=1 pytest tests/hil/report/test_drawing.py`, look at the new ones, and commit them.
"""

from __future__ import annotations

import io
import os
from collections.abc import Callable
from itertools import combinations
from pathlib import Path
from typing import Any
from xml.etree import ElementTree as ET

import cairosvg  # type: ignore[import-untyped] # it carries no types
import pytest
from PIL import Image, ImageChops, ImageFilter

from hil.report.drawing import Drawing, draw, svg
from hil.report.wiring import wiring_report

KEPT = Path(__file__).parent / "drawings"
BENCHES = ("gauge-station", "upper-station", "key-on-rail", "shifter-wrong-kind", "pulse-eaten", "uart-open")

Describe = Callable[..., Any]


def drawn(describe: Describe, bench: str) -> Drawing:
    description = describe(bench)
    return draw(description, wiring_report(description))


def rendered(drawing: Drawing) -> Image.Image:
    data = cairosvg.svg2png(bytestring=svg(drawing).encode())
    assert isinstance(data, bytes)
    return Image.open(io.BytesIO(data)).convert("L")


@pytest.mark.parametrize("bench", BENCHES)
def test_no_two_texts_meet_and_none_leaves_the_sheet(describe: Describe, bench: str) -> None:
    drawing = drawn(describe, bench)
    width, height = float(drawing.root.attrib["width"]), float(drawing.root.attrib["height"])
    meeting = [(one.text, other.text) for one, other in combinations(drawing.texts, 2) if one.meets(other)]

    assert meeting == []
    for text in drawing.texts:
        assert text.x >= 0
        assert text.x + text.width <= width
        assert 0 <= text.y <= text.y + text.height <= height


@pytest.mark.parametrize("bench", BENCHES)
def test_every_pin_part_and_net_of_every_path_is_on_it(describe: Describe, bench: str) -> None:
    report = wiring_report(describe(bench))
    texts = {text.text for text in drawn(describe, bench).texts}

    for pin in report["pins"]:
        assert not pin["paths"] or f"pin {pin['pin']}" in texts
        for path in pin["paths"]:
            steps = [step.split(" (")[0] for step in path.split(" -> ")]
            assert set(steps) <= texts
    for finding in report["findings"]:
        assert any(finding["name"] in text for text in texts)


def test_an_open_contact_is_named_open(describe: Describe) -> None:
    assert "OPEN" in {text.text for text in drawn(describe, "key-on-rail").texts}
    assert "OPEN" not in {text.text for text in drawn(describe, "gauge-station").texts}


def test_it_is_svg_with_a_title_and_without_scripts(describe: Describe) -> None:
    root = ET.fromstring(svg(drawn(describe, "gauge-station")))  # noqa: S314 # our own
    tags = [element.tag.rpartition("}")[2] for element in root.iter()]

    assert tags[:3] == ["svg", "title", "desc"]
    assert set(tags) <= {"svg", "title", "desc", "rect", "line", "circle", "path", "text"}


@pytest.mark.parametrize("bench", ["gauge-station", "upper-station"])
def test_it_looks_as_when_it_was_last_looked_at(describe: Describe, bench: str) -> None:
    now, kept = rendered(drawn(describe, bench)), KEPT / f"{bench}.png"
    if os.environ.get("WAKEBENCH_RENEW"):
        now.save(kept)
    before = Image.open(kept).convert("L")

    assert now.size == before.size
    # Fonts differ a little from machine to machine: blurred, the two have to be alike all the same.
    blur = ImageFilter.GaussianBlur(4)
    far_off = ImageChops.difference(now.filter(blur), before.filter(blur)).point(lambda level: level > 80)
    assert far_off.getbbox() is None
