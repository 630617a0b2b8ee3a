"""Paces: jumps at virtual pace, lateness kept at a real one."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from simulator.edges.pacing import Driver, StuckError
from simulator.kernel.timeline import ns
from simulator.model import Model

Build = Callable[..., Model]


def test_virtual_time_jumps_and_stands_exactly_at_the_deadline(build: Build) -> None:
    driver = Driver(build(), factor=None)
    began = time.monotonic()
    driver.wait(ns(3600))

    assert driver.model.timeline.now_ns == ns(3600)
    assert time.monotonic() - began < 5
    assert driver.latest_ns == 0


def test_a_wait_ends_as_soon_as_it_is_done(build: Build) -> None:
    driver = Driver(build(start={"module": "booting"}), factor=None)
    at = driver.model.module.ports["at"]

    assert driver.wait(ns(60), lambda: at.is_present)
    assert driver.model.timeline.now_ns < ns(11.1)
    assert not driver.wait(driver.model.timeline.now_ns + ns(1), lambda: False)


def test_waiting_for_ever_for_nothing_is_told_at_once(build: Build) -> None:
    with pytest.raises(StuckError):
        Driver(build(), factor=None).wait(None, lambda: False)


@pytest.mark.slow
def test_real_pace_follows_the_wall_clock_and_a_factor_divides_it(build: Build) -> None:
    driver = Driver(build(), factor=20.0)
    driver.start_clock()
    began = time.monotonic()
    driver.wait(ns(4))
    took_s = time.monotonic() - began

    assert 0.19 < took_s < 2.0


def test_an_action_that_was_kept_waiting_is_recorded_as_late(build: Build) -> None:
    driver = Driver(build(), factor=1.0)
    driver.model.timeline.call_at(ns(0.001), lambda: None)
    driver.start_clock()
    time.sleep(0.02)  # the subject is wall time: a program that does not serve
    driver.catch_up()
    late = [event.more for event in driver.model.recorder.take() if event.lane == "pace"]

    assert len(late) == 1
    assert late[0]["due_ns"] == ns(0.001)
    assert driver.latest_ns >= ns(0.015)
    assert driver.late_since(0) == driver.latest_ns
    assert driver.late_since(driver.model.timeline.now_ns + 1) == 0


def test_a_pace_of_nothing_is_refused(build: Build) -> None:
    with pytest.raises(ValueError, match="above 0"):
        Driver(build(), factor=0)


def test_events_are_written_while_it_runs(build: Build) -> None:
    driver = Driver(build(start={"module": "booting"}), factor=200.0)
    written: list[int] = []
    driver.on_events = lambda: written.append(len(driver.model.recorder.take()))
    driver.start_clock()
    driver.wait(ns(40))

    assert sum(written) > 5
