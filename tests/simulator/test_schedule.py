"""What a bench file lets move by itself, and when."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.model import Model

Build = Callable[..., Model]


@pytest.mark.parametrize(
    ("part", "moved", "lane"),
    [
        ("network", {"cell": "first", "rsrp_dbm": -101.0}, "surroundings/network"),
        ("antennas", {"main": False}, "surroundings/antennas"),
        ("card", {"present": False}, "surroundings/card"),
        ("uart", {"noise": 0.01}, "surroundings/uart"),
        ("adaptor", {"ports": 2}, "surroundings/adaptor"),
    ],
)
def test_a_part_moves_at_its_instant(build: Build, part: str, moved: dict[str, object], lane: str) -> None:
    model = build(schedule=[{"at_s": 12.5, "part": part, "set": moved}])
    model.timeline.run_until(20 * 10**9)
    events = [event for event in model.recorder.take() if event.lane == lane and event.what == "set"]

    assert [(event.t_ns, event.more) for event in events] == [(12_500_000_000, moved)]


def test_moves_of_one_instant_happen_in_their_order(build: Build) -> None:
    rows = [{"at_s": 1.0, "part": "network", "set": {"rsrp_dbm": level}} for level in (-90.0, -100.0, -110.0)]
    model = build(schedule=rows)
    model.timeline.run_until(2 * 10**9)

    assert model.air.first.settings.rsrp_dbm == -110.0
