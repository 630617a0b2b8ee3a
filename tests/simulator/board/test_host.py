"""The host's lines: directions, releases, and the offsets of the chip."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from pydantic import ValidationError

from simulator.board.host import HostSettings
from simulator.model import Model

Build = Callable[..., Model]


def test_a_released_line_keeps_its_level_by_default(build: Build) -> None:
    lines = build().board.lines
    lines.line(84).drive(True, by="test")
    lines.line(84).release(by="test")

    assert lines.line(84).read() is True


def test_a_released_line_goes_back_to_its_boot_state_where_the_host_does_so(build: Build) -> None:
    lines = build(host={"release": "revert"}).board.lines
    lines.line(84).drive(True, by="test")
    lines.line(84).release(by="test")

    assert lines.line(84).read() is False


def test_a_line_that_the_host_drives_while_it_boots_is_an_output(build: Build) -> None:
    line = build("radio-line-high").board.lines.line(85)

    assert (line.direction, line.output, line.read()) == ("out", True, True)


def test_a_line_that_is_on_no_pin_keeps_its_level_to_itself(build: Build) -> None:
    line = build().board.lines.line(7)
    line.drive(True, by="test")

    assert line.pin is None
    assert line.read() is True


@pytest.mark.parametrize("offset", [-1, 128])
def test_offsets_outside_the_chip_are_refused(build: Build, offset: int) -> None:
    with pytest.raises(IndexError, match="lines 0 to 127"):
        build().board.lines.line(offset)


@pytest.mark.parametrize(
    ("lines", "message"),
    [
        ({"16": {"offset": 128}}, "not below gpio_lines"),
        ({"16": {"offset": 4}, "18": {"offset": 4}}, "taken by pin 16"),
    ],
)
def test_lines_that_cannot_be_are_refused(lines: dict[str, dict[str, int]], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        HostSettings.model_validate({"usb_ports": {"at": "ttyUSB0"}, "lines": lines})
