"""Pin and command combined into the functionality in force (TS 27.007 8.2)."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.kernel.timeline import ns
from simulator.model import Model

Build = Callable[..., Model]


def settle(model: Model) -> None:
    model.timeline.run_until(model.timeline.now_ns + ns(2))


@pytest.mark.parametrize(
    ("requested", "pin", "in_force"),
    [(1, False, 1), (1, True, 4), (4, False, 4), (4, True, 4), (0, False, 0), (0, True, 0)],
)
def test_what_is_in_force_follows_from_request_and_pin(
    build: Build, requested: int, pin: bool, in_force: int
) -> None:
    model = build(start={"module": "ready"})
    model.module.radio.request(requested)
    model.module.radio.set_pin(asserted=pin)
    settle(model)

    assert model.module.radio.functionality == in_force


def test_the_pin_acts_after_its_delay_and_a_glitch_shorter_than_it_does_nothing(build: Build) -> None:
    model = build(start={"module": "ready"})
    radio = model.module.radio
    radio.set_pin(asserted=True)
    at_once = radio.functionality
    radio.set_pin(asserted=False)
    settle(model)

    assert at_once == 1
    assert radio.functionality == 1
    assert not [event for event in model.recorder.take() if event.lane == "module/radio"]


def test_a_boot_asks_for_full_functionality_and_takes_the_pin_as_it_is(build: Build) -> None:
    model = build(start={"module": "ready"})
    radio = model.module.radio
    radio.request(4)
    radio.set_pin(asserted=True)
    model.module.power.restart("test")
    with_pin = radio.functionality
    radio.set_pin(asserted=False)
    model.module.power.restart("test")

    assert (with_pin, radio.requested, radio.functionality) == (4, 1, 1)


def test_anything_but_the_three_levels_is_refused(build: Build) -> None:
    with pytest.raises(ValueError, match="0, 1 or 4, not 2"):
        build().module.radio.request(2)
