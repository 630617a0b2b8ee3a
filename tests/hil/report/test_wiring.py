"""What each pin does, and the findings: each provoked by one change, none on the sound benches."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

from hil.bench.files import BenchDescription
from hil.bench.shipped import demo_benches
from hil.report.wiring import as_text, wiring_report
from simulator.board.review.finding import NAMES

# On `weir-carrier` the module's I2C ends on the carrier, whatever else is right or wrong.
TIED_OFF = "interface-tied-off"

# Each shipped variant of a demo bench, and all that is to be said of it.
FINDINGS = {
    "gauge-station": {TIED_OFF},
    "already-on": {TIED_OFF},
    "upper-station": set(),
    "weak-cell": {TIED_OFF},
    "aged-capacitor": {TIED_OFF},
    "key-on-rail": {"key-always-asserted", TIED_OFF},
    "key-asserted-at-boot": {"key-asserted-at-boot", TIED_OFF},
    "key-floats": {"key-floats", TIED_OFF},
    "radio-line-high": {"radios-disabled-at-boot", TIED_OFF},
    "radio-disable-floats": {"radio-disable-floats", TIED_OFF},
    "polarity-inverted": {"polarity-inverted", TIED_OFF},
    "level-mismatch": {"level-mismatch"},
    # 3.3 V at a 1.8 V pin feeds the module through it, too.
    "level-too-high": {"level-mismatch", "back-feed", TIED_OFF},
    "shifter-unpowered": {"shifter-unpowered", TIED_OFF},
    "shifter-late": {"shifter-late", TIED_OFF},
    "shifter-wrong-kind": {"shifter-wrong-kind", TIED_OFF},
    "uart-open": {"uart-open", TIED_OFF},
    "uart-crossed": {"uart-crossed", TIED_OFF},
    "back-feed": {"back-feed", TIED_OFF},
    "supply-too-weak": {"supply-too-weak", TIED_OFF},
    "pulse-eaten": {"pulse-eaten"},
}


def names(description: BenchDescription) -> list[str]:
    return [finding["name"] for finding in wiring_report(description)["findings"]]


@pytest.mark.parametrize("bench", FINDINGS)
def test_each_variant_has_its_own_findings_and_no_others(describe: Callable[..., Any], bench: str) -> None:
    assert set(names(describe(bench))) == FINDINGS[bench]


def test_every_finding_is_provoked_by_a_variant_and_absent_from_a_sound_bench() -> None:
    assert set().union(*FINDINGS.values()) == set(NAMES)
    assert FINDINGS["gauge-station"] & FINDINGS["upper-station"] == set()


def test_every_variant_that_is_shipped_is_looked_at() -> None:
    assert set(demo_benches()) - {"dead-module"} == set(FINDINGS)


@pytest.mark.parametrize(
    ("change", "name"),
    [
        ({"host": {"lines": {"16": {"boot": "high"}}}}, "key-asserted-at-boot"),
        ({"host": {"lines": {"18": {"boot": "up"}}}}, "radios-disabled-at-boot"),
        ({"board": {"switches": {"UART_RX": "open"}}}, "uart-open"),
        ({"supply": {"volts": 3.3}}, "supply-too-weak"),
    ],
)
def test_other_ways_to_the_same_finding(
    describe: Callable[..., Any], change: dict[str, Any], name: str
) -> None:
    assert set(names(describe(**change))) == {name, TIED_OFF}


def test_margins_are_told_in_millivolts(describe: Callable[..., Any]) -> None:
    report = wiring_report(describe())
    by_pin = {row["pin"]: row["margins"] for row in report["pins"]}

    # Ebers and Moll: a stage in deep saturation leaves about V_T ln(1 + 1/b_R) and little more.
    [pressed, at_rest] = by_pin["16"]
    assert (pressed["driven"], pressed["at"], pressed["reads"]) == ("high", "POWER_KEY", "low")
    assert 485 <= pressed["left_mv"] <= 490
    assert at_rest["left_mv"] == 1300
    assert {row["at"] for row in by_pin["23"]} == {"SHIFT_TX (in)", "UART_RX"}
    assert {row["at"] for row in by_pin["25"]} == {"SHIFT_RX (in)", "pin 25"}
    assert by_pin["1"] == []
    assert "high: POWER_KEY at 0.011 V, reads low below 0.50 V: 489 mV left" in as_text(report)


def test_the_rail_is_told_for_each_thing_that_the_module_draws(describe: Callable[..., Any]) -> None:
    rail = {row["while"]: row for row in wiring_report(describe("supply-too-weak"))["rail"]}

    assert rail["off"]["lowest_v"] == pytest.approx(3.9, abs=0.001)
    assert rail["transmit 2g"]["left_mv"] < 0


def test_each_finding_says_what_proves_it_what_follows_and_what_mends_it(
    describe: Callable[..., Any],
) -> None:
    finding, _ = wiring_report(describe("radio-line-high"))["findings"]

    assert finding["pins"] == ["18"]
    assert finding["proof"] == "pin 18 -> RADIO_STAGE (npn-stage, inverts) -> RADIO_DISABLE"
    assert "does not register" in finding["consequence"]
    assert finding["cure"].startswith("boot the line to the other level")


@pytest.mark.parametrize(
    ("name", "pin", "does"),
    [
        ("gauge-station", "16", "high presses the power key; low leaves it at rest"),
        ("gauge-station", "18", "high disables the radios; low lets them work"),
        ("gauge-station", "23", "carries what the host sends to the module"),
        ("gauge-station", "25", "carries what the module sends to the host"),
        ("upper-station", "16", "high presses the power key; low leaves it at rest"),
        ("upper-station", "22", "high tells that the module is on; low tells that it is off"),
        ("key-on-rail", "16", "nothing: the way to POWER_KEY is open at KEY_SOURCE"),
    ],
)
def test_each_pin_s_effect_is_told(describe: Callable[..., Any], name: str, pin: str, does: str) -> None:
    report = wiring_report(describe(name))
    by_pin = {row["pin"]: row for row in report["pins"]}

    assert does in by_pin[pin]["does"]
    assert does in as_text(report)


def test_the_report_is_json_and_says_how_a_pin_boots(describe: Callable[..., Any]) -> None:
    report = json.loads(json.dumps(wiring_report(describe("radio-line-high"))))
    by_pin = {row["pin"]: row for row in report["pins"]}

    assert by_pin["18"]["at_boot"] == {"set_to": "high", "level": 1}
    assert by_pin["16"]["at_boot"] == {"set_to": "float", "level": 0}
    assert "at_boot" not in by_pin["23"]
    assert "pin 18  line 85 RADIO_OFF" in as_text(report)
