"""Every test of every suite, by name, on the stand-in as on a simulated bench, and what differs."""

from __future__ import annotations

import os
import sys
from collections import Counter
from collections.abc import Iterator

import pytest

from hil.recording.comparison import differences
from hil.recording.store import load

from .explained import explain
from .stand_in import StandIn
from .verdicts import Verdict, repeated, verdicts

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif("WAKEBENCH_NIGHTLY" not in os.environ, reason="takes long: WAKEBENCH_NIGHTLY=1"),
]

# What no stand-in has: a hand at antennas, card and wires, a network and a service centre that do as they are
# told, a second device, a shell on the host; and what this module or a pseudo-terminal has not.
LACKS = {
    "surroundings:adaptor",
    "surroundings:antennas",
    "surroundings:card",
    "surroundings:message",
    "surroundings:network",
    "surroundings:service_centre",
    "surroundings:uart",
    "flow-control",
    "header:status",
    "host",
}
_LONGEST_S = 5400.0


@pytest.fixture(scope="module")
def stand_in(tmp_path_factory: pytest.TempPathFactory) -> Iterator[StandIn]:
    with StandIn(tmp_path_factory.mktemp("stand-in")) as found:
        yield found


@pytest.fixture(scope="module")
def simulated(stand_in: StandIn) -> dict[str, Verdict]:
    return verdicts(stand_in, stand_in.simulated, (), "--recordings", stand_in.run.parent / "simulated")


@pytest.fixture(scope="module")
def both_halves(stand_in: StandIn) -> tuple[dict[str, Verdict], dict[str, Verdict]]:
    folder = stand_in.run.parent / "hardware"
    return repeated(stand_in, (), "--recordings", folder, timeout_s=_LONGEST_S)


@pytest.fixture(scope="module")
def hardware(both_halves: tuple[dict[str, Verdict], dict[str, Verdict]]) -> dict[str, Verdict]:
    return both_halves[0]


@pytest.fixture(scope="module")
def again(both_halves: tuple[dict[str, Verdict], dict[str, Verdict]]) -> dict[str, Verdict]:
    return both_halves[1]


def test_the_list_is_the_same(simulated: dict[str, Verdict], hardware: dict[str, Verdict]) -> None:
    assert list(hardware) == list(simulated)


def test_whatever_is_not_skipped_passes(simulated: dict[str, Verdict], hardware: dict[str, Verdict]) -> None:
    for found in (simulated, hardware):
        assert {name: each for name, each in found.items() if each.word not in ("passed", "skipped")} == {}


def test_what_only_the_stand_in_skips_it_lacks_a_part_for(
    simulated: dict[str, Verdict],
    hardware: dict[str, Verdict],
    again: dict[str, Verdict],
    capsys: pytest.CaptureFixture[str],
) -> None:
    here = {name: each for name, each in hardware.items() if each.word == "skipped"}
    only_here = {name: each for name, each in here.items() if simulated[name].word != "skipped"}
    parts = {name: each.lacking for name, each in only_here.items()}
    with capsys.disabled():
        lines = [f"\non the stand-in: {dict(Counter(each.word for each in hardware.values()))}"]
        lines += [f"skipped for want of {part}: {name}" for name, part in parts.items()]
        lines += [f"run again after {each.word}: {name}: {each.text}" for name, each in again.items()]
        sys.stdout.write("\n  ".join([*lines, ""]))

    unknown = [name for name, part in parts.items() if part is None or part.split()[0] not in LACKS]
    assert {name: here[name].text for name in unknown} == {}
    assert 0 < len(parts) < len(hardware) / 2


@pytest.mark.usefixtures("simulated", "hardware")
def test_every_difference_between_the_recordings_is_explained(
    stand_in: StandIn, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = stand_in.run.parent
    counts: Counter[str] = Counter()
    unexplained = []
    for path in sorted((folder / "hardware").glob("*.jsonl")):
        for each in differences(load(path), load(folder / "simulated" / path.name)):
            name = explain(path.stem, each)
            counts[name or "nothing"] += 1
            if name is None:
                unexplained.append(f"{path.stem}: {each}")
    with capsys.disabled():
        sys.stdout.write(f"\ndifferences by what explains them: {dict(counts)}\n")

    assert unexplained == []
    assert counts["boot"] > 0
