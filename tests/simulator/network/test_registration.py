"""Registration: what it needs, what ends it, what it tells (TS 27.007 7.2)."""

from __future__ import annotations

import time
from collections.abc import Callable

import pytest

from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.network.selection import Mode
from simulator.network.stat import Domain, place_of, stat_of
from simulator.network.states import TRANSITIONS, Registered

Build = Callable[..., Model]


def later(model: Model, seconds: float) -> None:
    model.timeline.run_until(model.timeline.now_ns + ns(seconds))


def stat(model: Model) -> int:
    return stat_of(model.registration, Domain.EPS)


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

    assert stat(model) == 0


def test_a_foreign_network_is_roaming(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"plmn": "00102"})
    model.card.enter_pin("1234")
    later(model, 30)

    assert stat(model) == 5


def test_a_cell_that_goes_leads_back_to_searching_and_one_that_comes_to_home(registered: Model) -> None:
    registered.air.move(present=False)
    lost = stat(registered), registered.registration.rssi_dbm
    later(registered, 60)
    still = stat(registered)
    registered.air.move(present=True)
    later(registered, 30)

    assert lost == (2, None)
    assert (still, stat(registered)) == (2, 1)


def test_an_area_that_is_refused_is_not_tried_again_but_another_is(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"deny_cause": 13})
    model.card.enter_pin("1234")
    later(model, 60)
    denied = stat(model), model.registration.reject_cause
    model.air.move(deny_cause=None)
    later(model, 3600)
    still = stat(model)
    model.air.move(area="0B2D")
    later(model, 30)

    assert denied == (3, 13)
    assert still == 3
    assert (stat(model), model.registration.reject_cause) == (1, None)


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

    assert stat(registered) == 0
    assert registered.registration.rssi_dbm is None
    assert place_of(registered.registration, Domain.EPS) is None


def test_the_network_sets_the_module_s_clock_where_it_gives_time(build: Build) -> None:
    clocks = []
    for gives_time in (True, False):
        model = build(start={"module": "ready"}, network={"gives_time": gives_time, "zone_quarters": 4})
        model.card.enter_pin("1234")
        later(model, 30)
        local, quarters = model.module.clock.now()
        clocks.append((f"{local:%Y-%m-%d %H:%M:%S}", quarters))

    assert clocks == [("2026-01-15 07:00:30", 4), ("1980-01-06 00:00:30", 0)]


def test_an_attach_that_nobody_answers_is_tried_five_times_in_115_seconds_then_waits_12_minutes(
    build: Build,
) -> None:
    # TS 24.301 5.5.1.2.6, tables 10.2.1: T3410 15 s, T3411 10 s, five attempts, T3402 720 s:
    # 5 x 15 + 4 x 10 = 115 s from the first request to T3402.
    model = build(start={"module": "ready"}, network={"answers": False})
    model.card.enter_pin("1234")
    later(model, 1200)
    events = [event for event in model.recorder.take() if event.lane == "module/registration"]
    asked = [event.t_ns for event in events if event.more.get("to") == "attaching"]
    waits = [event.t_ns for event in events if event.more.get("to") == "waiting to try again"]

    assert [round((at - asked[0]) / 1e9, 6) for at in asked[:6]] == [0, 25, 50, 75, 100, 115 + 720]
    assert round((waits[4] - asked[0]) / 1e9, 6) == 115


def test_in_2g_four_updates_are_tried_then_the_network_s_periodic_timer_runs(build: Build) -> None:
    # TS 24.008 4.4.4.9, table 11.1 (from memory): T3210 20 s, T3211 15 s, four attempts, then T3212.
    model = build(
        start={"module": "ready"}, network={"technology": "2g", "answers": False, "update_s": 1800.0}
    )
    model.card.enter_pin("1234")
    later(model, 2200)
    asked = [event.t_ns for event in model.recorder.take() if event.more.get("to") == "attaching"]

    assert [round((at - asked[0]) / 1e9, 6) for at in asked[:5]] == [0, 35, 70, 105, 125 + 1800]


def test_the_long_wait_begins_anew_after_the_module_was_silenced(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"answers": False})
    model.card.enter_pin("1234")
    later(model, 200)
    waits = model.registration.state
    model.air.move(answers=True)
    model.module.radio.request(4)
    model.module.radio.request(1)
    later(model, 30)

    assert waits is Registered.WAITING
    assert stat(model) == 1


def test_congestion_with_a_back_off_waits_for_it_also_over_a_silenced_radio(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"deny_cause": 22, "back_off_s": 600.0})
    model.card.enter_pin("1234")
    later(model, 60)
    model.air.move(deny_cause=None)
    model.module.radio.request(4)
    model.module.radio.request(1)
    later(model, 500)
    before = stat(model)
    later(model, 100)

    assert before == 2
    assert stat(model) == 1


@pytest.mark.parametrize(("keeps", "expected"), [(False, 1), (True, 2)])
def test_a_restart_ends_the_network_s_back_off_unless_the_module_keeps_it(
    build: Build, keeps: bool, expected: int
) -> None:
    model = build(
        start={"module": "ready"},
        network={"deny_cause": 22, "back_off_s": 3600.0},
        card={"pin": "1234", "pin_enabled": False},
        module={"unit": {"quirks": {"restart_keeps_back_off": keeps}}},
    )
    later(model, 60)
    model.air.move(deny_cause=None)
    model.module.power.restart("test")
    later(model, 120)

    assert stat(model) == expected


def test_a_plmn_that_refused_stays_on_the_card_s_list_until_it_is_chosen_by_hand(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"plmn": "00102", "deny_cause": 11})
    model.card.enter_pin("1234")
    later(model, 60)
    listed = list(model.card.forbidden_plmns)
    model.air.move(deny_cause=None)
    model.module.power.restart("test")
    later(model, 60)
    model.card.enter_pin("1234")
    later(model, 60)
    after_restart = stat(model)
    model.registration.choose(Mode.MANUAL, "00102")
    later(model, 60)

    assert listed == ["00102"]
    assert after_restart == 3
    assert stat(model) == 5
    assert model.card.forbidden_plmns == []


def test_a_refused_network_leads_to_the_next_one(build: Build) -> None:
    neighbour = {"plmn": "00102", "rsrp_dbm": -110.0}
    model = build(start={"module": "ready"}, network={"deny_cause": 35, "neighbours": {"foreign": neighbour}})
    model.card.enter_pin("1234")
    later(model, 90)

    assert stat(model) == 5
    assert model.registration.serving is model.air.cells["foreign"]


def test_packet_service_refused_leaves_2g_circuits(build: Build) -> None:
    # Cause 7: EPS services not allowed (TS 24.301 5.5.1.2.5).
    neighbour = {"technology": "2g", "rsrp_dbm": -80.0}
    model = build(start={"module": "ready"}, network={"deny_cause": 7, "neighbours": {"old": neighbour}})
    model.card.enter_pin("1234")
    later(model, 90)

    found = {domain.value: stat_of(model.registration, domain) for domain in Domain}
    assert found == {"+CREG": 1, "+CGREG": 3, "+CEREG": 3}


def test_a_unit_with_only_its_diversity_antenna_hears_well_and_never_registers(build: Build) -> None:
    model = build(start={"module": "ready"}, antennas={"main": False})
    model.card.enter_pin("1234")
    later(model, 1800)
    events = model.recorder.take()

    assert model.registration.rssi_dbm == pytest.approx(-68.01, abs=0.005)
    assert not any(event.more.get("to") == "registered home" for event in events)
    assert any(event.more.get("cause") == "not heard" for event in events)
    assert any(event.what == "open_transmission" for event in events)


def test_the_periodic_update_keeps_the_registration_and_draws_a_burst(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"update_s": 600.0})
    model.card.enter_pin("1234")
    later(model, 30)
    demands: list[tuple[int, str]] = []
    model.module.consumption.changed.listen(
        lambda demand: demands.append((model.timeline.now_ns, demand.label))
    )
    later(model, 1200)
    sent = [at for at, label in demands if label == "transmit lte"]

    assert stat(model) == 1
    assert len(sent) == 2
    assert (sent[1] - sent[0]) / 1e9 == pytest.approx(600.5, abs=0.001)


def test_an_update_that_nobody_answers_is_tried_five_times_before_the_registration_is_lost(
    registered: Model,
) -> None:
    registered.air.move(answers=False)
    later(registered, 3240)
    during = stat(registered)
    later(registered, 120)
    after = stat(registered), registered.registration.state

    assert during == 1
    assert after == (2, Registered.WAITING)


@pytest.mark.parametrize("cause", [9, 10])
def test_a_network_that_has_forgotten_the_module_makes_it_attach_anew(registered: Model, cause: int) -> None:
    # TS 24.301 5.5.3.2.5.
    def relent(_: None) -> None:
        if registered.registration.state is Registered.SEARCHING:
            registered.air.move(deny_cause=None)

    registered.air.move(deny_cause=cause)
    registered.registration.changed.listen(relent)
    later(registered, 3300)
    changes = [event.more.get("to") for event in registered.recorder.take() if event.what == "state"]

    assert changes[-3:] == ["searching", "attaching", "registered home"]


@pytest.mark.parametrize(("order", "soon", "after_radio"), [("again", 1, 1), ("wait", 0, 1)])
def test_a_network_that_detaches_says_whether_to_come_back(
    registered: Model, order: str, soon: int, after_radio: int
) -> None:
    # TS 24.301 5.5.2.3.
    registered.air.move(detach=order)
    later(registered, 60)
    found = stat(registered)
    registered.module.radio.request(4)
    registered.module.radio.request(1)
    later(registered, 60)

    assert (found, stat(registered)) == (soon, after_radio)


def test_a_detach_with_a_cause_does_what_a_refusal_with_it_does(registered: Model) -> None:
    registered.air.move(detach="wait", cause=8)
    later(registered, 3600)

    assert (stat(registered), registered.registration.reject_cause) == (3, 8)


def test_a_better_cell_of_the_same_network_is_taken_and_told(build: Build) -> None:
    model = build(
        start={"module": "ready"},
        network={"neighbours": {"north": {"rsrp_dbm": -120.0, "area": "0B2D", "cell_id": "01A2B302"}}},
    )
    model.card.enter_pin("1234")
    later(model, 30)
    model.air.move(cell="north", rsrp_dbm=-80.0)
    at_once = place_of(model.registration, Domain.EPS)
    later(model, 5)
    then = place_of(model.registration, Domain.EPS)

    assert at_once == ("0B2C", "01A2B301", 7)
    assert then == ("0B2D", "01A2B302", 7)
    assert stat(model) == 1


def test_a_cell_little_better_is_left_alone(build: Build) -> None:
    model = build(
        start={"module": "ready"},
        network={"neighbours": {"north": {"rsrp_dbm": -96.0, "cell_id": "01A2B302"}}},
    )
    model.card.enter_pin("1234")
    later(model, 30)
    model.air.move(cell="north", rsrp_dbm=-92.5)
    later(model, 60)

    assert place_of(model.registration, Domain.EPS) == ("0B2C", "01A2B301", 7)


@pytest.mark.parametrize(
    ("technology", "registers", "expected"),
    [
        ("lte", "all", (1, 0, 1)),
        ("lte", "packet", (0, 0, 1)),
        ("lte", "messages", (6, 0, 1)),
        ("2g", "all", (1, 1, 0)),
        ("2g", "packet", (0, 1, 0)),
        ("2g", "circuit", (1, 0, 0)),
    ],
)
def test_each_domain_has_its_own_stat(
    build: Build, technology: str, registers: str, expected: tuple[int, int, int]
) -> None:
    # TS 27.007 7.2, 10.1.20, 10.1.22: 6 is "registered for SMS only, home network".
    model = build(start={"module": "ready"}, network={"technology": technology, "registers": registers})
    model.card.enter_pin("1234")
    later(model, 40)

    assert tuple(stat_of(model.registration, domain) for domain in Domain) == expected


def test_the_card_s_removal_ends_the_registration_and_clears_what_the_module_held_against_it(
    build: Build,
) -> None:
    model = build(start={"module": "ready"}, network={"deny_cause": 3}, card={"pin_enabled": False})
    later(model, 60)
    refused = stat(model)
    model.air.move(deny_cause=None)
    model.card.move(present=False)
    later(model, 10)
    without = stat(model)
    model.card.move(present=True)
    later(model, 60)

    assert (refused, without, stat(model)) == (3, 0, 1)


def test_twelve_minutes_of_back_off_take_a_tenth_of_a_second_at_most(build: Build) -> None:
    model = build(start={"module": "ready"}, network={"deny_cause": 111})
    model.card.enter_pin("1234")
    later(model, 60)
    began_s = time.perf_counter()
    later(model, 720)
    took_s = time.perf_counter() - began_s

    assert took_s <= 0.1


def registered_at_s(model: Model, from_s: float) -> float:
    while stat(model) != 1:
        later(model, 1)
    return model.timeline.now_ns / 1e9 - from_s


@pytest.mark.parametrize("seed", range(3))
def test_a_module_that_knows_no_network_scans_all_bands_before_its_first_registration_only(
    build: Build, seed: int
) -> None:
    model = build(
        start={"module": "ready", "knows_network": False}, card={"pin_enabled": False}, bench={"seed": seed}
    )
    delays = model.module.profile.delays
    first_s = registered_at_s(model, 0)
    model.module.radio.request(4)
    model.module.radio.request(1)
    again_s = registered_at_s(model, model.timeline.now_ns / 1e9)

    assert delays.band_scan_s.min < first_s < delays.band_scan_s.max + delays.registration_s.max + 1
    assert again_s <= delays.registration_s.max + 1


def test_each_interruption_begins_the_scan_anew(build: Build) -> None:
    scan = {"band_scan_s": {"typ": 100.0, "min": 100.0, "max": 100.0}}
    model = build(
        start={"module": "ready", "knows_network": False},
        card={"pin_enabled": False},
        module={"unit": {"delays": scan}},
    )
    for _ in range(5):
        later(model, 90)
        model.module.radio.request(4)
        model.module.radio.request(1)
    before = stat(model)
    later(model, 130)

    assert (before, stat(model)) == (2, 1)


@pytest.mark.parametrize(("how", "says_goodbye"), [("command", True), ("operator", True), ("radio", False)])
def test_who_leaves_the_network_by_command_tells_it(registered: Model, how: str, says_goodbye: bool) -> None:
    # TS 24.301 5.5.2.2; the radios that are just switched off are silent at once here.
    demands: list[str] = []
    registered.module.consumption.changed.listen(lambda demand: demands.append(demand.label))
    match how:
        case "command":
            registered.registration.detach()
        case "operator":
            registered.registration.choose(Mode.NONE)
        case "radio":
            registered.module.radio.request(4)
    later(registered, 5)

    assert ("transmit lte" in demands) is says_goodbye
    assert not registered.module.consumption.demand.label.startswith("transmit")
