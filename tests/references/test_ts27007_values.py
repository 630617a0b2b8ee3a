"""Values of 3GPP TS 27.007 beside what the model answers."""

from __future__ import annotations

from pathlib import Path

import pytest

from simulator.at.commands.general import ASLEEP, READY
from simulator.at.commands.signal import level_index, scale_index
from simulator.at.errors import CME
from simulator.module.radio import FULL, MINIMUM, SILENT
from simulator.network import stat

# TS 27.007 7.2: <stat>.
STATS = {
    "NOT_REGISTERED": 0,
    "HOME": 1,
    "SEARCHING": 2,
    "DENIED": 3,
    "ROAMING": 5,
    "MESSAGES_HOME": 6,  # "SMS only", E-UTRAN
    "MESSAGES_ROAMING": 7,
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
    assert {name: getattr(stat, name) for name in STATS} == STATS


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


# TS 27.007 8.69 (TS 45.008, 36.133): 0 below the first edge, then one for each step; the last has no end.
CESQ = {
    "rxlev": (
        (-110, 1, 63),
        [(-110.1, 0), (-110, 1), (-109.1, 1), (-109, 2), (-48.1, 62), (-48, 63), (-20, 63)],
    ),
    "rsrq": ((-19.5, 0.5, 34), [(-19.6, 0), (-19.5, 1), (-19.0, 2), (-3.1, 33), (-3.0, 34), (0, 34)]),
    "rsrp": ((-140, 1, 97), [(-140.1, 0), (-140, 1), (-139, 2), (-44.1, 96), (-44, 97), (-40, 97)]),
}


@pytest.mark.parametrize("name", CESQ)
def test_the_extended_scales_have_their_edges(name: str) -> None:
    (lowest, step, top), rows = CESQ[name]
    found = [scale_index(value, lowest=lowest, step=step, top=top) for value, _ in rows]

    assert found == [index for _, index in rows]
