"""The supply in time: regulator, drop-out and lock-out, dips on bursts, brown-outs, inrush, charge."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.module.power import Power

Build = Callable[..., Model]

WEAK = {"volts": 4.2, "resistance_ohm": 0.75}
AGED = {"rework": {"parts": {"BULK": {"kind": "capacitor", "net": "RAIL", "farad": 2.2e-3, "esr_ohm": 1.0}}}}


def later(model: Model, seconds: float) -> None:
    model.timeline.run_until(model.timeline.now_ns + ns(seconds))


def states(model: Model, lane: str) -> list[tuple[Any, Any]]:
    return [
        (event.more["to"], event.more["cause"])
        for event in model.recorder.take()
        if event.lane == lane and event.what == "state"
    ]


@pytest.mark.parametrize(
    ("source_v", "rail_v"),
    # Output 3.9 V, drop-out 0.25 V, lock-out below 2.7 V, 25 uA drawn: worked by hand.
    [(5.0, 3.9), (4.15, 3.9), (4.0, 3.75), (2.71, 2.46), (2.69, 0.0), (0.0, 0.0)],
)
def test_the_rail_settles_where_the_regulator_holds_it(build: Build, source_v: float, rail_v: float) -> None:
    model = build()
    model.supply.set_volts(source_v)
    later(model, 300)  # 25 uA take that long to draw the capacitor down

    assert model.supply.rail_v == pytest.approx(rail_v, abs=1e-4)


def test_a_rail_below_lock_out_stops_the_module_and_one_between_keeps_it(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.supply.set_volts(3.5)  # 3.24 V at the module: above lock-out 3.1 V, below restart 3.5 V
    later(model, 1)
    between = model.module.power.state
    model.supply.set_volts(3.3)  # 3.04 V
    later(model, 1)
    stopped = model.module.power.state
    model.supply.set_volts(3.5)
    later(model, 1)

    assert (between, stopped) == (Power.READY, Power.NO_SUPPLY)
    assert model.module.power.state is Power.NO_SUPPLY


def test_a_module_that_lost_its_rail_in_use_restarts_by_itself_without_farewell(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.supply.set_volts(3.3)
    later(model, 1)
    model.recorder.take()
    model.supply.set_volts(5.0)
    back_ns = model.timeline.now_ns
    later(model, 0.2)
    events = [event for event in model.recorder.take() if event.lane == "module/power"]
    boots = [event for event in events if event.more["to"] == "booting"]

    assert [event.more["cause"] for event in boots] == ["brown-out"]
    # 50 ms after the rail is above 3.5 V, which takes it less than a millisecond.
    assert ns(0.050) < boots[0].t_ns - back_ns < ns(0.053)


def test_a_module_whose_rail_was_gone_for_long_has_forgotten_that_it_ran(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.supply.turn(on=False)
    later(model, 2)
    model.supply.turn(on=True)
    later(model, 30)

    assert model.module.power.state is Power.OFF


def test_without_a_discharge_the_capacitor_carries_a_module_that_is_off_for_long(build: Build) -> None:
    # 25 uA out of 2200 uF: 0.8 V in 70 s.  A short cut of the supply is then no reset at all.
    regulator = {
        "kind": "regulator",
        "input": "REGULATOR_IN",
        "output": "RAIL",
        "volts": 3.9,
        "limit_a": 2.5,
        "ohm": 0.03,
        "dropout_v": 0.25,
        "lockout_v": 2.7,
    }
    model = build(board={"rework": {"parts": {"REGULATOR": regulator}}})
    model.supply.turn(on=False)
    later(model, 69)
    before = model.module.power.state
    later(model, 3)

    assert (before, model.module.power.state) == (Power.OFF, Power.NO_SUPPLY)


@pytest.mark.parametrize(
    ("supply", "board", "restarts"),
    [({}, {}, False), (WEAK, {}, False), (WEAK, AGED, True), ({}, AGED, False)],
    ids=["sound", "weak cell", "weak cell, aged capacitor", "aged capacitor"],
)
def test_only_a_weak_cell_with_an_aged_capacitor_browns_out_on_2g_bursts(
    build: Build, supply: dict[str, Any], board: dict[str, Any], restarts: bool
) -> None:
    model = build(start={"module": "ready"}, network={"technology": "2g"}, supply=supply, board=board)
    model.card.enter_pin("1234")
    later(model, 25)

    assert (model.module.boots > 1) is restarts
    assert model.registration.is_registered is not restarts


def test_the_same_weak_supply_carries_lte_bursts(build: Build) -> None:
    model = build(start={"module": "ready"}, supply=WEAK, board=AGED)
    model.card.enter_pin("1234")
    later(model, 25)

    assert model.registration.is_registered


def test_a_long_sag_is_called_low_by_its_mean_and_a_short_one_is_not(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.recorder.take()
    for held_s in (0.05, 0.5):
        model.supply.set_volts(3.6)  # 3.35 V at the module, warning below 3.4 V
        later(model, held_s)
        model.supply.set_volts(5.0)
        later(model, 1)

    assert [to for to, _ in states(model, "module/supply")] == ["low", "good"]


def test_a_dip_shorter_than_the_lock_out_s_time_does_not_count(build: Build) -> None:
    model = build(start={"module": "ready"}, board=AGED)
    # Over 1 ohm of series resistance 4 A for 10 us pull the rail far down, and let it come back.
    from simulator.board.course import Demand

    before = model.supply.rail_v
    idle = model.module.consumption.demand
    model.supply.set_demand(Demand(label="test", amps=4.0))
    dipped = model.supply.rail_v
    later(model, 10e-6)
    model.supply.set_demand(idle)
    later(model, 1)

    assert dipped < model.module.profile.supply.lockout_v < before
    assert model.module.power.state is Power.READY


def test_a_source_too_weak_for_the_inrush_locks_the_regulator_out_again_and_again(build: Build) -> None:
    # The regulator's input falls below its lock-out at (3.0 - 2.7) / 0.35 = 0.86 A; boot draws 0.22 A.
    weak = {"volts": 4.0, "resistance_ohm": 2.0, "limit_a": 3.0}
    small = {"kind": "capacitor", "net": "RAIL", "farad": 100e-6, "esr_ohm": 0.05}
    model = build(supply=weak, board={"rework": {"parts": {"BULK": small}}})
    model.module.power.start("test")
    later(model, 2)
    events = model.recorder.take()
    boots = [e for e in events if e.lane == "module/power" and e.more.get("to") == "booting"]

    assert len(boots) > 5
    assert model.module.power.state is not Power.READY


def test_the_charge_of_a_run_is_current_times_time_by_what_drew_it(build: Build) -> None:
    model = build()  # off: 25 uA
    later(model, 3600)
    model.module.power.start("test")
    later(model, 2)
    model.recorder.take()
    model.end()
    [event] = model.recorder.take()

    assert event.lane == "supply/rail"
    assert event.what == "charge"
    assert event.more["off"] == pytest.approx(0.025)  # 25 uA for an hour, in mAh
    assert event.more["inrush"] == pytest.approx((0.8 + 0.22) * 0.001 / 3.6, rel=1e-5)
    assert event.more["boot"] == pytest.approx(0.22 * 1.999 / 3.6)
    assert event.more["mah"] == pytest.approx(
        sum(value for key, value in event.more.items() if key != "mah")  # type: ignore[misc] # numbers
    )


def test_bursts_that_cross_nothing_cost_no_events(build: Build) -> None:
    model = build(start={"module": "ready"})
    waiting = len(model.timeline)
    model.module.consumption.transmit("lte")

    assert len(model.timeline) == waiting
    assert model.supply.lowest_v(since_ns=0) < 3.9


def test_voltages_outside_the_range_of_a_source_are_refused(build: Build) -> None:
    with pytest.raises(ValueError, match="0 to 60 V, not 61"):
        build().supply.set_volts(61)


def test_a_source_that_sags_before_the_regulator_has_come_keeps_it_off(build: Build) -> None:
    model = build(start={"supply": "off"})
    model.supply.turn(on=True)
    model.supply.set_volts(2.8)  # above the lock-out of 2.7 V, below the 2.9 V at which it comes back
    later(model, 1)

    assert model.supply.rail_v == 0.0
