"""Presses at the key: what they do by length and by the moment at which they begin.

Thresholds are pinned, so that each claim can be made at the very nanosecond.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.kernel.randomness import Randomness
from simulator.kernel.recorder import Event, Recorder
from simulator.kernel.timeline import Timeline, ns
from simulator.model import Model
from simulator.module.power import Power, PowerMachine
from simulator.module.power_key import PowerKey
from simulator.module.profile import Profile
from simulator.module.spread import Draws, Spread

Build = Callable[..., Model]


class Rig:
    """A power machine with its key, and thresholds of exactly 0.58, 0.44 and 8 s (or as changed)."""

    def __init__(self, profile: Profile, **changes: Any) -> None:  # noqa: ANN401 # fields of `Key`
        exact = {
            name: Spread(typ=value, min=value, max=value)
            for name, value in (("start_s", 0.58), ("stop_s", 0.44), ("reset_s", 8.0))
        }
        self.timeline = Timeline()
        self.recorder = Recorder(self.timeline)
        draws = Draws(Randomness(1))
        self.power = PowerMachine(
            timeline=self.timeline, recorder=self.recorder, draws=draws, profile=profile
        )
        key = profile.key.model_copy(update={**exact, **changes})
        self.key = PowerKey(
            timeline=self.timeline, recorder=self.recorder, draws=draws, key=key, power=self.power
        )
        self.power.supply(present=True)
        self.at(1.0)

    def at(self, seconds: float) -> None:
        self.timeline.run_until(ns(seconds))

    def press(self, at_s: float, width_ns: int) -> None:
        self.at(at_s)
        self.key.set(asserted=True)
        self.timeline.run_until(self.timeline.now_ns + width_ns)
        self.key.set(asserted=False)

    def boot(self) -> None:
        """From off at 1 s to ready at 10 s."""
        self.press(1.0, ns(0.7))
        self.at(10.0)
        self.power.boot_done()

    def run_until_off(self) -> None:
        while self.power.state is not Power.OFF:
            self.timeline.run_next_instant()

    def ignored(self) -> list[Event]:
        return [event for event in self.recorder.take() if event.what == "ignored"]

    @property
    def state(self) -> Power:
        return self.power.state


@pytest.fixture
def tarn(build: Build) -> Rig:
    """Starts while held, toggles, resets."""
    return Rig(build().module.profile)


@pytest.fixture
def fell(build: Build) -> Rig:
    """Starts and stops on release, with a stop press of its own of exactly 2.6 s."""
    profile = build("upper-station").module.profile
    held_back = profile.model_copy(
        update={"supply": profile.supply.model_copy(update={"auto_start_s": None})}
    )
    return Rig(held_back, stop_s=Spread(typ=2.6, min=2.6, max=2.6), reset_s=None)


def test_the_start_acts_at_the_threshold_while_held(tarn: Rig) -> None:
    tarn.key.set(asserted=True)
    tarn.timeline.run_until(ns(1.58) - 1)
    before = tarn.state
    tarn.timeline.run_until(ns(1.58))

    assert (before, tarn.state) == (Power.OFF, Power.BOOTING)


def test_a_press_one_nanosecond_short_does_nothing_and_is_recorded(tarn: Rig) -> None:
    tarn.press(1.0, ns(0.58) - 1)
    tarn.at(5)

    assert tarn.state is Power.OFF
    assert [event.more["event"] for event in tarn.ignored()] == ["press too short"]


def test_a_start_on_release_waits_for_the_release(fell: Rig) -> None:
    fell.key.set(asserted=True)
    fell.at(3)
    before = fell.state
    fell.key.set(asserted=False)

    assert (before, fell.state) == (Power.OFF, Power.BOOTING)


def test_the_stop_acts_on_release(tarn: Rig) -> None:
    tarn.boot()
    tarn.key.set(asserted=True)
    tarn.at(12)
    before = tarn.state
    tarn.key.set(asserted=False)

    assert (before, tarn.state) == (Power.READY, Power.STOPPING)


def test_the_stop_threshold_itself_stops(tarn: Rig) -> None:
    tarn.boot()
    tarn.press(11, ns(0.44))

    assert tarn.state is Power.STOPPING


def test_a_press_just_short_of_the_stop_threshold_does_not_stop(tarn: Rig) -> None:
    tarn.boot()
    tarn.press(11, ns(0.44) - 1)

    assert tarn.state is Power.READY


def test_a_start_press_does_not_stop_a_module_with_a_stop_press_of_its_own(fell: Rig) -> None:
    fell.boot()
    fell.press(11, ns(1.0))
    ready = fell.state
    fell.press(13, ns(2.6))

    assert (ready, fell.state) == (Power.READY, Power.STOPPING)


def test_the_press_that_started_the_module_does_not_stop_it_when_released(tarn: Rig) -> None:
    tarn.press(1.0, ns(3.5))

    assert tarn.state is Power.BOOTING


def test_a_press_begun_in_the_first_seconds_of_booting_is_ignored_whole(tarn: Rig) -> None:
    tarn.press(1.0, ns(0.7))  # boots from 1.58 s; deaf until 5.58 s
    tarn.recorder.take()
    tarn.press(5.57, ns(20))
    tarn.at(30)

    assert tarn.state is Power.BOOTING
    assert [event.more["event"] for event in tarn.ignored()] == ["press in a dead window"]


def test_a_press_begun_later_in_booting_stops(tarn: Rig) -> None:
    tarn.press(1.0, ns(0.7))
    tarn.press(5.58, ns(0.5))

    assert tarn.state is Power.STOPPING


def test_a_press_begun_while_stopping_is_ignored_whole(tarn: Rig) -> None:
    tarn.boot()
    tarn.press(11, ns(0.5))
    tarn.press(11.6, ns(1.0))

    assert tarn.state is Power.STOPPING


def test_a_press_begun_soon_after_off_is_ignored_whole_however_long(tarn: Rig) -> None:
    tarn.boot()
    tarn.press(11, ns(0.5))
    tarn.run_until_off()
    off_s = tarn.timeline.now_ns / 1e9
    tarn.press(off_s + 1.9, ns(5))

    assert tarn.state is Power.OFF


def test_a_press_begun_after_the_dead_window_starts_again(tarn: Rig) -> None:
    tarn.boot()
    tarn.press(11, ns(0.5))
    tarn.run_until_off()
    tarn.press(tarn.timeline.now_ns / 1e9 + 2.0, ns(0.6))

    assert tarn.state is Power.BOOTING


def test_the_reset_acts_once_per_press_at_its_threshold(tarn: Rig) -> None:
    tarn.boot()
    tarn.at(11)
    tarn.key.set(asserted=True)
    tarn.at(19)
    tarn.at(60)
    tarn.key.set(asserted=False)
    restarts = [
        event.t_ns
        for event in tarn.recorder.take()
        if event.what == "state" and event.more["cause"] == "key held"
    ]

    assert restarts == [ns(19)]
    assert tarn.state is Power.BOOTING


def test_a_press_begun_while_off_never_resets(tarn: Rig) -> None:
    tarn.press(1.0, ns(30))
    resets = [event for event in tarn.recorder.take() if event.more.get("cause") == "key held"]

    assert resets == []
    assert tarn.state is Power.BOOTING


def test_a_press_begun_before_the_supply_is_stable_is_ignored_whole(build: Build) -> None:
    rig = Rig(build().module.profile)
    rig.power.supply(present=False)
    rig.power.supply(present=True)
    rig.press(1.04, ns(2))

    assert rig.state is Power.OFF


def test_a_key_tied_before_the_supply_comes_starts_with_it_once_it_is_stable(build: Build) -> None:
    rig = Rig(build().module.profile)
    rig.power.supply(present=False)
    rig.key.set(asserted=True)
    rig.at(2)
    rig.power.supply(present=True)
    rig.timeline.run_until(ns(2 + 0.05 + 0.58) - 1)
    before = rig.state
    rig.timeline.run_until(ns(2 + 0.05 + 0.58))

    assert (before, rig.state) == (Power.OFF, Power.BOOTING)


def test_a_module_with_a_tied_key_starts_again_after_every_stop(tarn: Rig) -> None:
    tarn.boot()
    tarn.at(11)
    tarn.key.set(asserted=True)
    tarn.at(11.1)
    tarn.power.stop("command")
    tarn.run_until_off()
    off_ns = tarn.timeline.now_ns
    tarn.timeline.run_until(off_ns + ns(2.58) - 1)
    before = tarn.state
    tarn.timeline.run_until(off_ns + ns(2.58))

    assert (before, tarn.state) == (Power.OFF, Power.BOOTING)


def test_a_tied_key_means_nothing_to_a_module_that_starts_on_release(fell: Rig) -> None:
    fell.power.supply(present=False)
    fell.key.set(asserted=True)
    fell.power.supply(present=True)
    fell.at(60)

    assert fell.state is Power.OFF


def test_saying_the_same_level_again_changes_nothing(tarn: Rig) -> None:
    tarn.key.set(asserted=True)
    tarn.at(1.3)
    tarn.key.set(asserted=True)
    tarn.timeline.run_until(ns(1.58))

    assert tarn.state is Power.BOOTING


def test_losing_the_supply_in_a_press_forgets_the_press(tarn: Rig) -> None:
    tarn.key.set(asserted=True)
    tarn.at(1.3)
    tarn.power.supply(present=False)
    tarn.at(5)

    assert tarn.state is Power.NO_SUPPLY
