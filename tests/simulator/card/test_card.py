"""PIN and PUK, their counters, and the table of the card's states."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.card.card import TRANSITIONS, Card, CardState, CardStateError
from simulator.kernel.timeline import ns
from simulator.model import Model

Build = Callable[..., Model]


@pytest.fixture
def ready(build: Build) -> Model:
    """A module that is ready, its card waiting for its PIN."""
    return build(start={"module": "ready"})


def later(model: Model, seconds: float) -> None:
    model.timeline.run_until(model.timeline.now_ns + ns(seconds))


def test_no_event_leads_from_one_state_to_two() -> None:
    pairs = [(event, before) for event, before, _ in TRANSITIONS]

    assert len(pairs) == len(set(pairs))


def test_the_right_pin_leads_to_ready_after_its_delay(ready: Model) -> None:
    right = ready.card.enter_pin("1234")
    at_once = ready.card.state
    later(ready, ready.module.profile.delays.pin_accepted_s.max)

    assert right
    assert (at_once, ready.card.state) == (CardState.VERIFYING, CardState.READY)


def test_three_wrong_pins_block_the_pin_and_the_puk_sets_a_new_one(ready: Model) -> None:
    tries = [(ready.card.enter_pin("0000"), ready.card.pin_tries) for _ in range(3)]
    blocked = ready.card.state
    unblocked = ready.card.enter_puk("12345678", "4321")
    later(ready, 5)

    assert tries == [(False, 2), (False, 1), (False, 0)]
    assert blocked is CardState.PUK
    assert unblocked
    assert (ready.card.state, ready.card.pin_tries) == (CardState.READY, 3)


def test_ten_wrong_puks_block_the_card_for_good(build: Build) -> None:
    model = build(start={"module": "ready"}, card={"pin_tries": 0})
    entered = [model.card.enter_puk("00000000", "4321") for _ in range(10)]

    assert not any(entered)
    assert model.card.state is CardState.BLOCKED
    with pytest.raises(CardStateError):
        model.card.enter_puk("12345678", "4321")


def test_a_right_pin_restores_the_tries(ready: Model) -> None:
    ready.card.enter_pin("0000")
    ready.card.enter_pin("1234")

    assert ready.card.pin_tries == 3


def test_counters_survive_a_loss_of_power(ready: Model) -> None:
    ready.card.enter_pin("0000")
    ready.supply.turn(on=False)
    ready.supply.turn(on=True)

    assert ready.card.pin_tries == 2


@pytest.mark.parametrize("name", ["gauge-station", "upper-station"])
def test_the_card_is_busy_until_its_delay_after_the_first_answer(build: Build, name: str) -> None:
    model = build(name)
    model.module.power.start("test")
    model.timeline.run_until(ns(30))
    events = model.recorder.take()
    ready_ns = next(event.t_ns for event in events if event.more.get("to") == "ready")
    pin_ns = next(event.t_ns for event in events if event.more.get("to") == "PIN")
    limits = model.module.profile.delays.card_ready_s

    assert limits.min <= (pin_ns - ready_ns) / 1e9 <= limits.max


def test_a_card_without_pin_asks_for_none(describe: Callable[..., object]) -> None:
    settings = describe().settings  # type: ignore[attr-defined] # the fixture of conftest
    card = settings.card.model_copy(update={"pin": None})
    start = settings.start.model_copy(update={"module": "ready"})
    model = Model(settings.model_copy(update={"card": card, "start": start}))
    model.start()

    assert model.card.state is CardState.READY


def test_a_pin_is_not_tried_while_the_card_waits_for_something_else(ready: Model) -> None:
    ready.card.enter_pin("1234")

    with pytest.raises(CardStateError, match="PIN entered while the card is verifying"):
        ready.card.enter_pin("1234")


def test_an_empty_slot_stays_empty(describe: Callable[..., object]) -> None:
    settings = describe().settings  # type: ignore[attr-defined] # the fixture of conftest
    model = Model(settings.model_copy(update={"card": None}))
    model.start()
    model.module.power.start("test")
    model.timeline.run_until(ns(60))

    assert model.card.state is CardState.ABSENT
    assert isinstance(model.card, Card)
    assert (model.card.imsi, model.card.iccid, model.card.pin_tries) == ("", "", 0)
