"""The card in its slot: pulled and put in, slow, with a bad contact, locked to a network."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from pydantic import ValidationError

from simulator.card.card import CardState
from simulator.kernel.timeline import ns
from simulator.model import Model

Build = Callable[..., Model]


def later(model: Model, seconds: float) -> None:
    model.timeline.run_until(model.timeline.now_ns + ns(seconds))


def test_a_card_put_back_starts_anew_and_wants_its_pin_again(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.card.enter_pin("1234")
    later(model, 10)
    model.card.move(present=False)
    without = model.card.state
    model.card.move(present=True)
    at_once = model.card.state
    later(model, 10)

    assert (without, at_once, model.card.state) == (CardState.ABSENT, CardState.BUSY, CardState.PIN)


def test_a_card_put_in_while_the_module_is_off_is_found_at_boot(build: Build) -> None:
    model = build(start={"module": "off"}, card={"present": False})
    model.card.move(present=True)
    off = model.card.state
    model.module.power.start("test")
    later(model, 30)

    assert (off, model.card.state) == (CardState.UNPOWERED, CardState.PIN)


def test_a_module_that_looks_at_boot_only_sees_a_new_card_after_a_restart(build: Build) -> None:
    model = build(
        start={"module": "ready"},
        card={"present": False},
        module={"unit": {"quirks": {"card_seen_at_boot_only": True}}},
    )
    model.card.move(present=True)
    later(model, 60)
    before = model.card.state
    model.module.power.restart("test")
    later(model, 60)

    assert (before, model.card.state) == (CardState.ABSENT, CardState.PIN)


def test_a_slow_card_takes_its_own_time(build: Build) -> None:
    model = build(start={"module": "booting"}, card={"starts_s": 25.0})
    while model.card.state is not CardState.PIN:
        later(model, 0.1)
    ready = next(event.t_ns for event in model.recorder.take() if event.more.get("to") == "ready")

    assert model.timeline.now_ns - ready == pytest.approx(25e9, abs=0.1e9)


def test_a_bad_contact_loses_the_card_for_a_while_again_and_again(build: Build) -> None:
    model = build(
        start={"module": "ready"}, card={"pin_enabled": False, "lost_every_s": 60.0, "lost_for_s": 2.0}
    )
    later(model, 3600)
    seen = [event.more["to"] for event in model.recorder.take() if event.lane == "module/card"]
    lost = seen.count("no contact")

    assert 30 <= lost <= 100  # 3600 / 62 on the average, and Poisson's deviation is 8
    assert seen.count("busy") - 1 in (lost, lost - 1)


def test_contact_lost_ends_the_registration_and_the_pin_is_wanted_again(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.card.enter_pin("1234")
    later(model, 30)
    registered = model.registration.is_registered
    model.card.move(lost_every_s=0.001, lost_for_s=1.0)
    later(model, 0.1)
    model.card.move(lost_every_s=0.0)
    lost, still = model.card.state, model.registration.is_registered

    assert (registered, lost, still) == (True, CardState.LOST, False)


def test_equal_seeds_lose_contact_at_equal_times(build: Build) -> None:
    times = []
    for _ in range(2):
        model = build(start={"module": "ready"}, card={"lost_every_s": 60.0})
        later(model, 1000)
        times.append([e.t_ns for e in model.recorder.take() if e.more.get("to") == "no contact"])

    assert times[0] == times[1] != []


def test_another_card_has_another_identity(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.card.move(present=False)
    model.card.move(present=True, imsi="001020000000001", iccid="8999900000000000022")

    assert (model.card.imsi, model.card.iccid) == ("001020000000001", "8999900000000000022")


def test_what_a_card_cannot_be_is_refused(build: Build) -> None:
    model = build()
    with pytest.raises(ValidationError):
        model.card.move(present="yes")
    with pytest.raises(ValidationError):
        model.card.move(pin_tries=3)

    assert model.card.is_present


LOCKED = {"unit": {"locked_to": ["00102"], "unlock_code": "98765432"}}


def test_a_module_locked_to_another_network_never_registers(build: Build) -> None:
    model = build(start={"module": "ready"}, card={"pin_enabled": False}, module=LOCKED)
    later(model, 60)

    assert model.card.state is CardState.LOCKED
    assert not model.registration.is_registered


def test_the_unlock_code_ends_the_lock_for_good(build: Build) -> None:
    model = build(start={"module": "ready"}, card={"pin_enabled": False}, module=LOCKED)
    wrong = model.card.enter_unlock_code("00000000"), model.card.unlock_tries
    right = model.card.enter_unlock_code("98765432")
    model.module.power.restart("test")
    later(model, 60)

    assert (wrong, right) == ((False, 9), True)
    assert model.registration.is_registered
