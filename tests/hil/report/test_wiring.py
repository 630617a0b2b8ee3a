"""What each pin does, and the findings: each provoked by one change, none on the sound benches."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from hil.bench.files import BenchDescription
from hil.report.wiring import as_text, wiring_report
from simulator.board.findings import NAMES


def without_part(description: BenchDescription, part: str) -> BenchDescription:
    wiring = description.settings.wiring
    parts = {name: found for name, found in wiring.parts.items() if name != part}
    thinner = wiring.model_copy(update={"parts": parts})
    return replace(description, settings=description.settings.model_copy(update={"wiring": thinner}))


def without_key_pull(description: BenchDescription) -> BenchDescription:
    pins = description.profile.pins
    key = pins.power_key.model_copy(update={"pull": None, "pull_ohm": None})
    profile = description.profile.model_copy(update={"pins": pins.model_copy(update={"power_key": key})})
    return replace(description, profile=profile)


def boot(pin: str, state: str) -> dict[str, Any]:
    lines = {"16": {"offset": 84}, "18": {"offset": 85}}
    return {"host": {"lines": {**lines, pin: {**lines[pin], "boot": state}}}}


def names(description: BenchDescription) -> list[str]:
    return [finding["name"] for finding in wiring_report(description)["findings"]]


@pytest.mark.parametrize("name", ["gauge-station", "upper-station", "already-on"])
def test_a_sound_bench_has_no_findings(describe: Callable[..., Any], name: str) -> None:
    assert names(describe(name)) == []


PROVOKED = [
    ("key-always-asserted", lambda describe: describe("key-on-rail")),
    ("key-asserted-at-boot", lambda describe: describe(**boot("16", "up"))),
    ("key-asserted-at-boot", lambda describe: describe(**boot("16", "high"))),
    ("key-floats", lambda describe: without_key_pull(describe())),
    ("radios-disabled-at-boot", lambda describe: describe("radio-line-high")),
    ("radios-disabled-at-boot", lambda describe: describe(**boot("18", "up"))),
    ("radio-disable-floats", lambda describe: without_part(describe(), "RADIO_PULL")),
    ("uart-open", lambda describe: describe(board={"switches": {"UART_TX": "open"}})),
    ("uart-open", lambda describe: describe(board={"switches": {"UART_RX": "open"}})),
    ("uart-crossed", lambda describe: describe(host={"uart_pins": {"tx": "25", "rx": "23"}})),
]


@pytest.mark.parametrize(
    ("name", "make"), PROVOKED, ids=lambda value: value if isinstance(value, str) else ""
)
def test_a_finding_is_provoked_by_its_one_change_and_no_other_is(
    describe: Callable[..., Any], name: str, make: Callable[[Callable[..., Any]], BenchDescription]
) -> None:
    assert set(names(make(describe))) == {name}


def test_every_finding_is_provoked_here() -> None:
    assert {name for name, _ in PROVOKED} == set(NAMES)


def test_each_finding_says_what_proves_it_what_follows_and_what_mends_it(
    describe: Callable[..., Any],
) -> None:
    [finding] = wiring_report(describe("radio-line-high"))["findings"]

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
