"""Values of 3GPP TS 27.007 beside what the model answers."""

from __future__ import annotations

import pytest

from simulator.at.commands.network import level_index
from simulator.at.errors import CME
from simulator.network.registration import STAT, Registered

# TS 27.007 7.2: <stat>.
STAT_WORDS = {
    "not registered": 0,
    "registered home": 1,
    "searching": 2,
    "denied": 3,
    "registered roaming": 5,
}

# TS 27.007 V14.10.0 9.2, the codes that the commands of today use, and some beside them.
CME_WORDS = {
    0: "phone failure",
    3: "operation not allowed",
    4: "operation not supported",
    10: "SIM not inserted",
    11: "SIM PIN required",
    12: "SIM PUK required",
    13: "SIM failure",
    14: "SIM busy",
    16: "incorrect password",
    30: "no network service",
    50: "Incorrect parameters",
    100: "unknown",
}

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
    assert {code: CME[code] for code in CME_WORDS} == CME_WORDS


@pytest.mark.parametrize(("rssi_dbm", "index"), CSQ)
def test_levels_have_their_index(rssi_dbm: float | None, index: int) -> None:
    assert level_index(rssi_dbm) == index
