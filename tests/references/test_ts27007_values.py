"""Values of 3GPP TS 27.007 beside what the model answers."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulator.at.commands.general import ASLEEP, READY
from simulator.at.commands.network import level_index
from simulator.at.errors import CME
from simulator.module.radio import FULL, MINIMUM, SILENT
from simulator.network.registration import STAT, Registered

# TS 27.007 7.2: <stat>.
STAT_WORDS = {
    "not registered": 0,
    "registered home": 1,
    "searching": 2,
    "denied": 3,
    "registered roaming": 5,
}

# TS 27.007 V14.10.0 and V17.1.0 9.2: the whole table; the file says where each wording is from.
CME_TABLE = Path(__file__).with_name("ts27007_cme.tsv")

# TS 27.007 V18 8.5: 0 is -113 dBm or less, 1 to 30 are -113 + 2 x index, 31 is -51 dBm or more, 99 not known.
CSQ = [
    (-150.0, 0),
    (-113.0, 0),
    (-111.1, 0),
    (-111.0, 1),
    (-109.0, 2),
    (-95.0, 9),
    (-53.0, 30),
    (-51.1, 30),
    (-51.0, 31),
    (-20.0, 31),
    (None, 99),
]


def test_registration_states_have_their_numbers() -> None:
    assert {state.value: STAT[state] for state in Registered} == STAT_WORDS


def test_error_codes_have_their_words() -> None:
    rows = [line.split("\t") for line in CME_TABLE.read_text(encoding="utf-8").splitlines() if line[0] != "#"]

    assert len(rows) == 148
    assert {int(code): words for code, words, _ in rows} == CME


# TS 27.007 8.1: <pas>.
def test_activity_is_told_in_the_numbers_of_the_standard() -> None:
    assert (READY, ASLEEP) == (0, 5)


# TS 27.007 8.2: <fun> 0 minimum, 1 full, 4 transmit and receive circuits off.
def test_functionality_has_the_numbers_of_the_standard() -> None:
    assert (MINIMUM, FULL, SILENT) == (0, 1, 4)


@pytest.mark.parametrize(("rssi_dbm", "index"), CSQ)
def test_levels_have_their_index(rssi_dbm: float | None, index: int) -> None:
    assert level_index(rssi_dbm) == index
