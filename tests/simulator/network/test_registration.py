"""Registration: what it needs, what ends it, what it tells (TS 27.007 7.2)."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from pydantic import ValidationError

from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.network.registration import TRANSITIONS

Build = Callable[..., Model]


def later(model: Model, seconds: float) -> None:
    model.timeline.run_until(model.timeline.now_ns + ns(seconds))


@pytest.fixture
def registered(build: Build) -> Model:
    """A module that is registered at home."""
    model = build(start={"module": "ready"})
    model.card.enter_pin("1234")
    later(model, 30)
    return model


def test_no_event_leads_from_one_state_to_two() -> None:
    pairs = [(event, before) for event, before, _ in TRANSITIONS]

    assert len(pairs) == len(set(pairs))


@pytest.mark.parametrize("seed", range(5))
def test_it_takes_the_profile_s_delay_from_card_to_home(build: Build, seed: int) -> None:
    model = build(start={"module": "ready"}, bench={"seed": seed})
    model.card.enter_pin("1234")
    later(model, 30)
    changes = {event.more["to"]: event.t_ns for event in model.recorder.take() if event.what == "state"}
    limits = model.module.profile.delays.registration_s
    took_s = (changes["registered home"] - changes["searching"]) / 1e9

    assert limits.min <= took_s <= limits.max


def test_without_the_card_s_pin_there_is_no_search(build: Build) -> None:
    model = build(start={"module": "ready"})
    later(model, 60)

    assert model.registration.stat == 0


def test_a_foreign_network_is_roaming(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"plmn": "00102"})
    model.card.enter_pin("1234")
    later(model, 30)

    assert model.registration.stat == 5


def test_a_cell_that_goes_leads_back_to_searching_and_one_that_comes_to_home(registered: Model) -> None:
    registered.cell.move(present=False)
    lost = registered.registration.stat, registered.registration.rssi_dbm
    later(registered, 60)
    still = registered.registration.stat
    registered.cell.move(present=True)
    later(registered, 30)

    assert lost == (2, None)
    assert (still, registered.registration.stat) == (2, 1)


def test_a_refusal_is_kept_with_its_cause_until_the_cell_changes(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"deny_cause": 11})
    model.card.enter_pin("1234")
    later(model, 60)
    denied = model.registration.stat, model.registration.reject_cause
    model.cell.move(deny_cause=None)
    later(model, 30)

    assert denied == (3, 11)
    assert (model.registration.stat, model.registration.reject_cause) == (1, None)


@pytest.mark.parametrize("how", ["radio", "pin", "stop", "supply"])
def test_everything_that_silences_the_module_ends_the_registration(registered: Model, how: str) -> None:
    match how:
        case "radio":
            registered.module.radio.request(4)
        case "pin":
            registered.module.radio.set_pin(asserted=True)
            later(registered, registered.module.profile.delays.radio_off_s.max)
        case "stop":
            registered.module.power.stop("test")
        case "supply":
            registered.supply.turn(on=False)
            later(registered, 0.2)

    assert registered.registration.stat == 0
    assert registered.registration.rssi_dbm is None
    assert registered.registration.area == ""


def test_the_network_sets_the_module_s_clock_where_it_gives_time(build: Build) -> None:
    clocks = []
    for gives_time in (True, False):
        model = build(start={"module": "ready"}, network={"gives_time": gives_time, "zone_quarters": 4})
        model.card.enter_pin("1234")
        later(model, 30)
        local, quarters = model.module.clock.now()
        clocks.append((f"{local:%Y-%m-%d %H:%M:%S}", quarters))

    assert clocks == [("2026-01-15 07:00:30", 4), ("1980-01-06 00:00:30", 0)]


def test_the_level_over_the_carrier_follows_from_reference_power_and_quality(build: Build) -> None:
    # 3GPP TS 36.214 5.1.3: RSRQ = N x RSRP / RSSI; N = 50, RSRP -95 dBm, RSRQ -10 dB, worked by hand:
    # -95 + 16.99 + 10 = -68.01 dBm.
    assert build().cell.rssi_dbm == pytest.approx(-68.01, abs=0.005)


def test_a_cell_below_the_reporting_range_is_not_found(build: Build) -> None:
    # 3GPP TS 36.133 9.1.4: RSRP is reported from -140 dBm.
    model = build()
    model.cell.move(rsrp_dbm=-140.0)
    weakest = model.cell.is_found
    model.cell.move(rsrp_dbm=-140.5)

    assert weakest
    assert not model.cell.is_found


def test_settings_that_cannot_be_are_refused_and_change_nothing(build: Build) -> None:
    cell = build().cell

    with pytest.raises(ValidationError):
        cell.move(rsrp_dbm="strong")
    assert cell.settings.rsrp_dbm == -95
