"""The module's clock: unset, set, and lost with the supply."""

from __future__ import annotations

from datetime import UTC, datetime

from simulator.kernel.timeline import Timeline, ns
from simulator.module.clock import UNSET, ModuleClock


def test_a_clock_that_nobody_has_set_runs_from_its_default() -> None:
    timeline = Timeline()
    clock = ModuleClock(timeline)
    timeline.run_until(ns(90))

    assert (clock.now_utc() - UNSET).total_seconds() == 90
    assert not clock.is_set


def test_local_time_is_utc_plus_quarters_of_an_hour() -> None:
    timeline = Timeline()
    clock = ModuleClock(timeline)
    clock.set_utc(datetime(2026, 1, 15, 6, 0, tzinfo=UTC), 8)
    timeline.run_until(ns(1))

    local, quarters = clock.now()
    assert f"{local:%H:%M:%S}" == "08:00:01"
    assert quarters == 8


def test_the_clock_is_lost_with_the_supply() -> None:
    clock = ModuleClock(Timeline())
    clock.set_utc(datetime(2026, 1, 15, tzinfo=UTC), 4)
    clock.lose()

    assert clock.now() == (UNSET, 0)
