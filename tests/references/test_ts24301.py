"""Causes, timers and counters of 3GPP TS 24.301 beside those of the model."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from simulator.model import Model
from simulator.network.causes import CAUSES, TIMERS, Action
from simulator.network.settings import CellSettings

# V19.6.0 annex A.
CAUSE_TABLE = Path(__file__).with_name("ts24301_causes.tsv")

# V19.6.0 5.5.1.2.5: the causes of an attach reject that are no abnormal case, and what is said of each.
REJECT_ACTIONS = {
    3: Action.CARD_INVALID,  # USIM invalid for EPS and non-EPS services
    6: Action.CARD_INVALID,
    8: Action.CARD_INVALID,
    7: Action.PACKET_INVALID,  # USIM invalid for EPS services
    11: Action.FORBID_PLMN,  # list of forbidden PLMNs
    35: Action.FORBID_PLMN,
    12: Action.FORBID_AREA,  # forbidden tracking areas for regional provision of service
    13: Action.FORBID_AREA,  # forbidden tracking areas for roaming
    15: Action.FORBID_AREA,
    14: Action.FORBID_PACKET,  # forbidden PLMNs for GPRS service
    22: Action.BACK_OFF,  # with T3346; without: an abnormal case
    25: Action.FORBID_CELL,  # from a CSG cell; else an abnormal case
}

# V19.6.0 tables 10.2.1 and 10.3.1, WB-S1 without CE mode, in seconds.
T3402, T3410, T3411, T3412 = 720, 15, 10, 3240
MOST_ATTEMPTS = 5


def test_the_causes_have_their_words() -> None:
    rows = [
        line.split("\t") for line in CAUSE_TABLE.read_text(encoding="utf-8").splitlines() if line[0] != "#"
    ]

    assert {int(number): text for number, text in rows} == {
        number: cause.text for number, cause in CAUSES.items()
    }


def test_the_causes_of_an_attach_reject_have_their_actions() -> None:
    abnormal = (Action.RETRY, Action.RETRY_LATE)
    named = {number: cause.action for number, cause in CAUSES.items() if cause.action not in abnormal}

    assert named == REJECT_ACTIONS


def test_the_timers_are_those_of_the_tables() -> None:
    network = CellSettings()

    assert list(TIMERS["lte"]) == [T3410, T3411, MOST_ATTEMPTS]
    assert (network.t3402_s, network.update_s) == (T3402, T3412)


def test_an_attach_without_answer_reaches_t3402_after_115_seconds(build: Callable[..., Model]) -> None:
    # Computed: T3410 five times, T3411 between.
    expected_s = MOST_ATTEMPTS * T3410 + (MOST_ATTEMPTS - 1) * T3411
    model = build(start={"module": "ready"}, card={"pin_enabled": False}, network={"answers": False})
    model.timeline.run_until(200 * 10**9)
    changes = [event for event in model.recorder.take() if event.lane == "module/registration"]
    first = next(event.t_ns for event in changes if event.more["to"] == "attaching")

    assert expected_s == 115
    assert (changes[-1].t_ns - first) / 1e9 == pytest.approx(expected_s, abs=1e-6)
    assert changes[-1].more["to"] == "waiting to try again"
