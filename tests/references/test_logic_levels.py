"""Logic levels against the standards, and facts of the trade about module and host."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hil.report.wiring import wiring_report
from simulator.board.logic_levels import limits
from simulator.model import Model

Build = Callable[..., Model]


def test_1v8_levels_are_those_of_jesd8_7a() -> None:
    # JEDEC JESD8-7A, normal range 1.65 to 1.95 V: VIL 0.35 VDD, VIH 0.65 VDD, VOL 0.45 V, VOH VDD - 0.45 V.
    at = limits(1.8)

    assert (at.low_input_v, at.high_input_v) == pytest.approx((0.63, 1.17))
    assert (at.low_output_v, at.high_output_v) == pytest.approx((0.45, 1.35))


def test_3v3_levels_are_those_of_jesd8c() -> None:
    # JEDEC JESD8C, normal range 3.0 to 3.6 V: VIL 0.8 V, VIH 2.0 V; LVCMOS VOL 0.2 V, VOH VDD - 0.2 V.
    at = limits(3.3)

    assert (at.low_input_v, at.high_input_v) == (0.8, 2.0)
    assert (at.low_output_v, at.high_output_v) == pytest.approx((0.2, 3.1))


@pytest.mark.parametrize("name", ["gauge-station", "upper-station"])
def test_the_shipped_carriers_keep_the_margins_of_the_standards(
    describe: Callable[..., Any], name: str
) -> None:
    report = wiring_report(describe(name))
    margins = [margin for pin in report["pins"] for margin in pin["margins"]]

    assert margins
    # What a standard output leaves to a standard input at 1.8 V: 0.63 - 0.45 V.
    assert all(margin["left_mv"] >= 180 for margin in margins)


def test_a_module_at_1v8_does_not_reach_a_host_at_3v3_without_a_shifter(describe: Callable[..., Any]) -> None:
    # Common practice, no source; and by the standards: VOH 1.35 V at worst against VIH 2.0 V.
    bridge = {"kind": "resistor", "between": ["MODULE_TX", "SHIFT_RX_OUT"], "ohm": 1}
    report = wiring_report(describe(board={"rework": {"parts": {"SHIFT_RX": bridge}}}))

    assert "level-mismatch" in {finding["name"] for finding in report["findings"]}


def test_an_untouched_key_means_off_and_a_high_level_at_the_header_of_an_inverting_stage_presses(
    build: Build,
) -> None:
    # Common practice, no source: the key is pulled up inside, low presses it.
    board = build().board
    untouched = board.volts_at("KEY")
    board.lines.line(84).drive(True, by="test")

    assert untouched == pytest.approx(1.8, abs=0.01)
    assert board.volts_at("KEY") < 0.1


def test_high_at_the_header_silences_the_radios_and_only_a_low_lets_them_work(build: Build) -> None:
    # Common practice, no source: the pull of radio disable is outside the module.
    board = build().board
    line = board.lines.line(85)
    line.drive(False, by="test")
    working = not board.is_asserted("RADIO_DISABLE")
    line.drive(True, by="test")

    assert working
    assert board.is_asserted("RADIO_DISABLE")
    assert "RADIO_PULL" in board.wiring.parts
