"""Both carriers: which header pin does what, with which polarity."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.board.picture import Route
from simulator.model import Model
from simulator.module.power import Power

Build = Callable[..., Model]


@pytest.mark.parametrize("name", ["gauge-station", "upper-station"])
def test_pin_16_presses_the_key_and_pin_18_disables_the_radios_both_active_high(
    build: Build, name: str
) -> None:
    board = build(name).board

    assert board.route("POWER_KEY") == Route(pin="16", active_high=True)
    assert board.route("RADIO_DISABLE") == Route(pin="18", active_high=True)


def test_only_the_second_carrier_brings_the_status_out(build: Build) -> None:
    assert build().board.route("STATUS") is None
    assert build("upper-station").board.route("STATUS") == Route(pin="22", active_high=True)


def test_with_the_jumper_on_the_rail_no_header_pin_reaches_the_key(build: Build) -> None:
    assert build("key-on-rail").board.route("POWER_KEY") is None


def test_with_the_jumper_on_the_rail_the_key_is_held_as_long_as_there_is_supply(build: Build) -> None:
    model = build("key-on-rail")
    held = model.board.is_asserted("POWER_KEY")
    model.supply.turn(on=False)

    assert held
    assert not model.board.is_asserted("POWER_KEY")


@pytest.mark.parametrize(
    ("boot", "pressed"), [("float", False), ("down", False), ("low", False), ("up", True), ("high", True)]
)
def test_the_host_s_boot_state_decides_about_the_key(build: Build, boot: str, pressed: bool) -> None:
    lines = {"16": {"offset": 84, "boot": boot}, "18": {"offset": 85}}

    assert build(host={"lines": lines}).board.is_asserted("POWER_KEY") is pressed


def test_an_untouched_key_is_at_rest_and_a_high_level_at_the_header_presses_it(build: Build) -> None:
    # Common practice, no source: the key is pulled up inside; an inverting stage turns low into high.
    board = build().board
    at_rest = board.is_asserted("POWER_KEY")
    board.lines.line(84).drive(True, by="test")

    assert not at_rest
    assert board.is_asserted("POWER_KEY")


def test_a_host_reboot_drops_a_driven_line_to_its_boot_state(build: Build) -> None:
    model = build()
    model.board.lines.line(84).drive(True, by="test")
    model.restart_host()

    assert not model.board.is_asserted("POWER_KEY")


def test_levels_are_recorded_at_changes_only_with_who_did_it(build: Build) -> None:
    model = build()
    model.recorder.take()
    line = model.board.lines.line(84)
    line.drive(True, by="suite")
    line.drive(True, by="suite")
    line.drive(False, by="script")
    events = [
        (event.lane, event.more["value"], event.more["by"])
        for event in model.recorder.take()
        if event.what == "level"
    ]

    assert events == [
        ("header/16", 1, "suite"),
        ("pin/POWER_KEY", 0, "suite"),
        ("header/16", 0, "script"),
        ("pin/POWER_KEY", 1, "script"),
    ]


def test_without_supply_nothing_is_asserted(build: Build) -> None:
    model = build(start={"supply": "off"})
    model.board.lines.line(84).drive(True, by="test")

    assert model.module.power.state is Power.NO_SUPPLY


@pytest.mark.parametrize(
    ("change", "reaches_module", "reaches_host"),
    [
        ({}, True, True),
        ({"board": {"switches": {"UART_TX": "open"}}}, False, True),
        ({"board": {"switches": {"UART_RX": "open"}}}, True, False),
        ({"host": {"uart_pins": {"tx": "25", "rx": "23"}}}, False, False),
    ],
)
def test_bytes_of_the_uart_pass_only_where_both_levels_arrive(
    build: Build, change: dict[str, Any], reaches_module: bool, reaches_host: bool
) -> None:
    board = build(start={"module": "ready"}, **change).board

    assert board.carries("UART_RX") is reaches_module
    assert board.carries("UART_TX") is reaches_host


def test_bytes_that_the_wires_do_not_carry_are_recorded_as_lost(build: Build) -> None:
    model = build(start={"module": "ready"}, board={"switches": {"UART_TX": "open"}})
    model.recorder.take()
    model.module.ports["uart"].receive(b"AT\r")
    model.timeline.run_until(10_000_000)

    # Three characters of ten bits at 9600, which the host's port starts with.
    assert [(event.t_ns, event.what, event.more) for event in model.recorder.take()] == [
        (3 * 1_041_667, "lost", {"text": "AT\r", "since_ns": 1_041_667})
    ]


def test_nothing_is_read_by_a_module_without_power(build: Build) -> None:
    model = build(start={"supply": "off"})
    events = [event.more["value"] for event in model.recorder.take() if event.lane == "pin/POWER_KEY"]

    assert events == [None]
    assert not model.board.is_asserted("POWER_KEY")
