"""The table of power states, walked."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.module.power import TRANSITIONS, Power

Build = Callable[..., Model]


def test_every_state_but_dead_can_be_reached_and_left() -> None:
    left = {before for _, before, _ in TRANSITIONS}
    reached = {after for _, _, after in TRANSITIONS}

    assert left == reached == set(Power) - {Power.DEAD}


def test_no_event_leads_from_one_state_to_two() -> None:
    pairs = [(event, before) for event, before, _ in TRANSITIONS]

    assert len(pairs) == len(set(pairs))


def test_the_supply_can_be_lost_in_every_state_that_has_it() -> None:
    losing = {before for event, before, _ in TRANSITIONS if event == "supply_lost"}

    assert losing == {Power.OFF, Power.BOOTING, Power.READY, Power.STOPPING}


@pytest.mark.parametrize(
    ("start", "wanted"),
    [
        ("off", Power.OFF),
        ("booting", Power.BOOTING),
        ("ready", Power.READY),
        ("stopping", Power.STOPPING),
        ("dead", Power.DEAD),
    ],
)
@pytest.mark.parametrize("name", ["gauge-station", "upper-station"])
def test_a_bench_starts_in_the_state_it_asks_for(build: Build, name: str, start: str, wanted: Power) -> None:
    assert build(name, start={"module": start}).module.power.state is wanted


def test_a_stop_ends_off_within_its_limits(build: Build) -> None:
    model = build(start={"module": "stopping"})
    limits = model.module.profile.delays.stop_s

    model.timeline.run_until(ns(limits.min) - 1)
    before = model.module.power.state
    model.timeline.run_until(ns(limits.max))

    assert (before, model.module.power.state) == (Power.STOPPING, Power.OFF)


def test_a_bench_that_starts_off_holds_auto_start_back_until_the_supply_is_cut(build: Build) -> None:
    model = build("upper-station")
    model.timeline.run_until(ns(60))
    held_back = model.module.power.state
    model.supply.turn(on=False)
    model.timeline.run_until(ns(61))
    model.supply.turn(on=True)
    model.timeline.run_until(ns(62.1))

    assert (held_back, model.module.power.state) == (Power.OFF, Power.BOOTING)


def test_losing_the_supply_while_stopping_leaves_no_stop_behind(build: Build) -> None:
    model = build(start={"module": "stopping"})
    model.supply.turn(on=False)
    model.timeline.run_until(ns(1))
    model.supply.turn(on=True)
    model.timeline.run_until(ns(2))
    model.recorder.take()
    model.timeline.run_until(ns(60))

    assert model.module.power.state is Power.OFF
    assert model.recorder.take() == []


def test_a_dead_module_ignores_key_and_supply(build: Build) -> None:
    model = build(start={"module": "dead"})
    model.board.lines.line(84).drive(True, by="test")
    model.timeline.run_until(ns(20))
    model.supply.turn(on=False)
    model.supply.turn(on=True)

    assert model.module.power.state is Power.DEAD
    assert [role for role, port in model.module.ports.items() if port.is_present] == ["uart"]
