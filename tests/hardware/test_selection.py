"""The same suites, unchanged, through the real drivers: names, a selection, what is lacking, what differs."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from .stand_in import StandIn
from .verdicts import repeated, verdicts

SELECTION = (
    "power_key::test_the_guaranteed_press_starts_the_module",
    "radio_disable::test_the_pin_silences_the_radios_in_time",
    "registration::test_it_registers_in_the_profile_s_time",
    "formatting::test_identification_is_bare_text",
    "usb::test_a_dead_handle_keeps_its_number_until_it_is_closed",
    "uart::test_with_another_parity_it_does_not_answer",
)
LACKING = {
    "usb::test_another_device_on_the_bus_changes_the_numbers_and_nothing_else": "surroundings:adaptor",
    "signal::test_attenuation_lowers_the_level_until_the_cell_is_lost": "surroundings:antennas",
}


@pytest.fixture(scope="module")
def stand_in(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StandIn]:
    with StandIn(tmp_path_factory.mktemp("stand-in")) as found:
        yield found


def names(stand_in: StandIn, bench: Path) -> list[str]:
    result = stand_in.wakebench("test", bench, "--collect-only", "-q")
    assert result.returncode == 0, result.stdout + result.stderr
    return [line for line in result.stdout.splitlines() if "::" in line]


@pytest.mark.slow
def test_both_kinds_of_bench_have_the_same_list_of_tests(stand_in: StandIn) -> None:
    simulated, hardware = names(stand_in, stand_in.simulated), names(stand_in, stand_in.bench)

    assert simulated == hardware
    assert len(simulated) > 100


@pytest.mark.slow
def test_the_bench_is_fit_before_anything_is_moved(stand_in: StandIn) -> None:
    result = stand_in.wakebench("precheck", stand_in.bench)

    assert result.returncode == 0, result.stdout + result.stderr
    assert result.stdout.splitlines()[0] == "cautions"
    for part in ("header pin 16", "header pin 18", "port uart", "supply", "meter", "attenuator"):
        assert re.search(rf"^  fit    {part}\b", result.stdout, re.MULTILINE), result.stdout
    assert re.search(r"^  look   usb +nothing at 1-1 now", result.stdout, re.MULTILINE), result.stdout


@pytest.mark.slow
def test_a_selection_passes_on_it(stand_in: StandIn) -> None:
    found, _ = repeated(stand_in, SELECTION)

    assert {name: verdict for name, verdict in found.items() if verdict.word != "passed"} == {}
    assert set(found) == set(SELECTION)


@pytest.mark.slow
def test_what_it_lacks_is_skipped_with_the_part_s_name(stand_in: StandIn) -> None:
    found = verdicts(stand_in, stand_in.bench, LACKING)

    assert {name: verdict.lacking for name, verdict in found.items()} == LACKING
