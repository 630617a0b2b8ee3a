"""The host's lines: directions, releases, and the offsets of the chip."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from pydantic import ValidationError

from simulator.board.host import Bias, Drive, HostSettings
from simulator.model import Model

Build = Callable[..., Model]

# The jumper on the rail, so that nothing but the host holds pin 16.
UNPLUGGED = {"jumpers": {"KEY_SOURCE": "rail"}}


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


def test_a_line_has_one_holder_at_a_time(build: Build) -> None:
    lines = build().board.lines
    heard = []
    lines.used.listen(lambda news: heard.append(news[1]))
    line = lines.line(84)

    assert line.claim("first")
    assert not line.claim("second")
    assert line.consumer == "first"
    line.give_up(by="test")
    assert (line.consumer, heard) == ("", ["released"])


def test_a_line_that_the_kernel_uses_is_nobody_else_s_also_after_a_boot(build: Build) -> None:
    lines = build(host={"lines": {"16": {"offset": 84, "used_by": "reset"}}}).board.lines
    lines.restart()

    assert not lines.line(84).claim("mine")
    assert lines.line(84).consumer == "reset"


@pytest.mark.parametrize(
    ("kind", "level", "bias", "read"),
    [
        ("open-drain", False, "up", False),
        ("open-drain", True, "up", True),
        ("open-drain", True, "down", False),
        ("open-source", True, "down", True),
        ("open-source", False, "up", True),
        ("push-pull", True, "down", True),
    ],
)
@pytest.mark.parametrize("offset", [84, 3])
def test_what_a_driver_leaves_alone_the_pull_decides(
    build: Build, *, kind: Drive, level: bool, bias: Bias, read: bool, offset: int
) -> None:
    line = build(board=UNPLUGGED).board.lines.line(offset)
    line.drive(level, by="test", kind=kind, bias=bias)

    assert line.direction == "out"
    assert line.read() is read


def test_a_pull_that_the_host_boots_with_stays_until_another_is_asked_for(build: Build) -> None:
    model = build(host={"lines": {"16": {"offset": 84, "boot": "up"}}}, board=UNPLUGGED)
    line = model.board.lines.line(84)
    line.make_input(by="test")
    as_it_was = line.read()
    line.make_input(by="test", bias="none")

    assert (as_it_was, line.read()) == (True, False)


def test_a_level_that_changes_is_announced_once(build: Build) -> None:
    model = build()
    heard = []
    model.board.lines.changed.listen(lambda line: heard.append((line.offset, line.read())))
    for level in (True, True, False):
        model.board.drive("16", level, by="test")
    model.board.lines.line(5).drive(True, by="test")

    assert heard == [(84, True), (84, False), (5, True)]
