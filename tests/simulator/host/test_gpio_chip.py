"""Requests for lines, without any descriptor; the rules are those of gpiolib-cdev.c, from memory."""

from __future__ import annotations

import errno
from collections.abc import Callable

import pytest

from simulator.host import line_config as flag
from simulator.host.gpio_chip import GpioChip, InfoChanged, LineEvent, LineRequest
from simulator.host.line_config import LineConfig
from simulator.model import Model

Build = Callable[..., Model]

OUT = LineConfig(flag.OUTPUT)
BOTH = flag.INPUT | flag.RISING | flag.FALLING


@pytest.fixture
def model(build: Build) -> Model:
    """The demo host, its lines in nobody's hands."""
    return build()


@pytest.fixture
def chip(model: Model) -> GpioChip:
    """Its chip."""
    return model.gpio_chip


def listen(request: LineRequest) -> list[LineEvent]:
    heard: list[LineEvent] = []
    request.on_event = heard.append
    return heard


def number(error: pytest.ExceptionInfo[OSError]) -> str:
    return errno.errorcode[error.value.errno or 0]


def test_a_request_drives_its_lines_until_it_is_closed(model: Model, chip: GpioChip) -> None:
    request = chip.request([(84, LineConfig(flag.OUTPUT, output=True)), (85, OUT)], consumer="mine")
    board = model.board
    seen = [board.level_at("16"), board.level_at("18")]
    request.set_values([None, True])
    seen += [board.level_at("18")]
    info = chip.info(84)
    request.close()
    request.close()

    assert seen == [True, False, True]
    assert (info.name, info.consumer, info.flags) == ("MODEM_KEY", "mine", flag.USED | flag.OUTPUT)
    assert (chip.info(84).consumer, chip.info(84).flags) == ("", flag.OUTPUT)  # keeps its direction and level
    assert board.level_at("16") is True


def test_a_released_line_goes_back_where_the_host_does_so(build: Build) -> None:
    model = build(host={"release": "revert"})
    model.gpio_chip.request([(84, LineConfig(flag.OUTPUT, output=True))], consumer="").close()

    assert model.board.level_at("16") is False
    assert model.gpio_chip.info(84).flags == flag.INPUT


def test_a_line_has_one_holder_whichever_way_it_came(build: Build) -> None:
    model = build(host={"lines": {"16": {"offset": 84}, "18": {"offset": 85, "used_by": "reset"}}})
    chip = model.gpio_chip
    first = chip.request([(84, OUT)], consumer="")
    for offset in (84, 85):
        with pytest.raises(OSError, match="EBUSY"):
            chip.request([(offset, OUT)], consumer="second")
    first.close()
    assert model.board.lines.line(84).claim("sysfs")
    with pytest.raises(OSError, match="EBUSY"):
        chip.request([(84, OUT)], consumer="third")

    assert chip.info(84).consumer == "sysfs"
    assert chip.info(85).consumer == "reset"


def test_lines_before_the_one_that_is_refused_are_let_go_again(model: Model, chip: GpioChip) -> None:
    chip.request([(85, OUT)], consumer="holder")
    with pytest.raises(OSError, match="EBUSY"):
        chip.request([(84, LineConfig(flag.OUTPUT, output=True)), (85, OUT)], consumer="second")

    assert chip.info(84).consumer == ""
    assert model.board.level_at("16") is True  # it had been driven by then


@pytest.mark.parametrize(
    ("lines", "name"), [([], "EINVAL"), ([128], "EINVAL"), ([5, 5], "EBUSY"), (list(range(65)), "EINVAL")]
)
def test_requests_that_cannot_be_are_refused(chip: GpioChip, lines: list[int], name: str) -> None:
    with pytest.raises(OSError, match=name):
        chip.request([(offset, OUT) for offset in lines], consumer="")


def test_an_input_takes_no_value(chip: GpioChip) -> None:
    request = chip.request([(84, OUT), (85, LineConfig(flag.INPUT))], consumer="")
    with pytest.raises(OSError, match="EPERM"):
        request.set_values([True, True])

    assert request.values() == [False, False]


def test_an_active_low_line_is_inverted_both_ways(model: Model, chip: GpioChip) -> None:
    request = chip.request([(84, LineConfig(flag.OUTPUT | flag.ACTIVE_LOW, output=True))], consumer="")
    level = model.board.level_at("16")
    request.set_values([False])

    assert (level, model.board.level_at("16"), request.values()) == (False, True, [False])


def test_edges_have_the_instant_their_numbers_and_what_was_asked_for(model: Model, chip: GpioChip) -> None:
    chip.stamp_ns = lambda is_wall: model.timeline.now_ns + (10**18 if is_wall else 10**12)
    request = chip.request(
        [
            (84, LineConfig(BOTH)),
            (85, LineConfig(flag.INPUT | flag.RISING | flag.ACTIVE_LOW | flag.WALL_CLOCK)),
        ],
        consumer="",
    )
    model.board.drive("18", True, by="test")
    heard = listen(request)
    for at_ns, pin, level in ((1000, "16", True), (2000, "18", False), (3000, "16", False)):
        model.timeline.run_until(at_ns)
        model.board.drive(pin, level, by="test")
    request.close()
    model.board.drive("16", True, by="test")

    assert heard == [
        LineEvent(10**12 + 1000, True, 84, 1, 1),
        LineEvent(10**18 + 2000, True, 85, 2, 1),  # low is active there
        LineEvent(10**12 + 3000, False, 84, 3, 2),
    ]


def test_a_bouncing_contact_is_one_edge_once_it_is_steady(model: Model, chip: GpioChip) -> None:
    request = chip.request([(84, LineConfig(BOTH, debounce_us=5000))], consumer="")
    heard = listen(request)
    for at_ms, level in ((1, True), (3, False), (4, True), (30, False), (31, True)):
        model.timeline.run_until(at_ms * 1_000_000)
        model.board.drive("16", level, by="test")
        if at_ms == 4:
            assert request.values() == [False]
    model.timeline.run_until(100_000_000)

    assert [(event.stamp_ns, event.is_rising) for event in heard] == [(9_000_000, True)]
    assert (request.values(), chip.info(84).debounce_us) == ([True], 5000)


def test_a_line_can_be_made_something_else_and_one_without_direction_stays(
    model: Model, chip: GpioChip
) -> None:
    request = chip.request([(84, LineConfig(flag.OUTPUT, output=True)), (85, OUT)], consumer="")
    request.configure([LineConfig(flag.INPUT | flag.PULL_UP), LineConfig(0)])
    with pytest.raises(OSError, match="EPERM"):
        request.set_values([True, None])
    request.set_values([None, True])
    with pytest.raises(OSError, match="EINVAL"):
        request.configure([LineConfig(flag.INPUT), LineConfig(flag.PULL_UP)])

    assert chip.info(84).flags == flag.USED | flag.INPUT | flag.PULL_UP
    assert model.board.level_at("18") is True


def test_whoever_watches_hears_of_every_use(model: Model, chip: GpioChip) -> None:
    heard: list[InfoChanged] = []
    watch = chip.watch(heard.append)
    assert watch.add(84).consumer == ""
    for wrong, name in ((lambda: watch.add(84), "EBUSY"), (lambda: watch.remove(85), "EBUSY")):
        with pytest.raises(OSError, match=name):
            wrong()
    request = chip.request([(84, OUT), (85, OUT)], consumer="mine")
    request.configure([LineConfig(flag.INPUT), LineConfig(0)])
    model.timeline.run_until(7)
    request.close()
    watch.remove(84)
    chip.request([(84, OUT)], consumer="later")

    assert [(news.use, news.info.consumer, news.stamp_ns) for news in heard] == [
        ("requested", "mine", 0),
        ("reconfigured", "mine", 0),
        ("released", "", 7),
    ]
    watch.close()
    watch.close()


def test_a_host_that_boots_has_its_lines_back(model: Model, chip: GpioChip) -> None:
    old = chip.request([(84, LineConfig(BOTH, debounce_us=10))], consumer="old")
    heard = listen(old)
    model.board.drive("16", True, by="test")
    model.restart_host()
    new = chip.request([(84, LineConfig(flag.OUTPUT, output=True))], consumer="new")
    old.close()
    model.timeline.run_until(1_000_000)

    assert (chip.info(84).consumer, new.values(), heard) == ("new", [True], [])
