"""The service centre keeps and forwards, in the manner that it is told."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from pydantic import ValidationError

from simulator.codec.addresses import Address
from simulator.codec.tpdu import REJECT_DUPLICATES, Command, Deliver, StatusReport
from simulator.messages.messages import Sent
from simulator.messages.service_centre import ServiceCentreSettings

OTHER = "+447700900999"

Make = Callable[..., Any]


def reports(station: Any) -> list[StatusReport]:  # noqa: ANN401 # a Station
    return [stored.message for _, stored in station.messages.stores["SR"]]


def test_a_message_to_its_own_number_comes_back_and_one_to_another_does_not(station: Make) -> None:
    here = station()
    sent = here.send("Level 4.2 m")
    here.later(20)
    assert here.texts() == ["Level 4.2 m"]
    here.send("Level 4.3 m", OTHER)
    here.later(20)

    assert here.texts() == ["Level 4.2 m"]
    assert sent == [Sent(1)]


def test_a_centre_that_loops_gives_everything_back(station: Make) -> None:
    here = station(service_centre={"loops": True})
    here.send("x", OTHER)
    here.later(20)

    assert here.texts() == ["x"]


def test_a_centre_that_forgets_has_accepted_all_the_same(station: Make) -> None:
    here = station(service_centre={"lost": 1.0})
    sent = here.send("x")
    here.later(100)

    assert sent == [Sent(1)]
    assert here.seen() == ["sending", "accepted", "lost", "sent"]


def test_a_centre_that_doubles_delivers_twice_and_no_more(station: Make) -> None:
    here = station(service_centre={"doubled": 1.0})
    here.send("x", report=True)
    here.later(100)

    assert here.texts() == ["x", "x"]
    assert len(reports(here)) == 2  # the report comes twice as well


@pytest.mark.parametrize(("order", "expected"), [("first", "abc"), ("last", "cba")])
def test_what_waits_leaves_in_the_order_that_was_set(station: Make, order: str, expected: str) -> None:
    here = station(service_centre={"order": order})
    here.model.air.move(present=False)
    for text in "abc":
        here.centre.bring(text=text)
    here.later(10)
    here.model.air.move(present=True)
    here.later(60)

    assert "".join(here.texts()) == expected


def test_any_order_is_the_seed_s(station: Make) -> None:
    def order(seed: int) -> str:
        here = station(service_centre={"order": "any"}, bench={"seed": seed})
        here.model.air.move(present=False)
        for text in "abcdef":
            here.centre.bring(text=text)
        here.later(10)
        here.model.air.move(present=True)
        here.later(60)
        return "".join(here.texts())

    assert order(1) == order(1)
    assert len({order(seed) for seed in range(1, 5)}) > 1


def test_jitter_lets_later_messages_overtake(station: Make) -> None:
    here = station(service_centre={"jitter_s": 60.0})
    for text in "abcdef":
        here.centre.bring(text=text)
    here.later(100)

    assert sorted(here.texts()) == list("abcdef")
    assert here.texts() != list("abcdef")


@pytest.mark.parametrize("cause", [1, 21, 38, 42, 208, 255])
def test_a_refusal_tells_its_cause_and_nothing_is_kept(station: Make, cause: int) -> None:
    here = station(service_centre={"refuses": cause})
    sent = here.send("x")
    here.later(20)

    assert sent == [Sent(1, cause)]
    assert here.texts() == []


def test_a_late_answer_is_waited_for_and_after_40_s_no_more_though_the_message_is_sent(station: Make) -> None:
    # TS 24.011 10.2.2.1, from memory: TR1M is 35 to 45 s.
    here = station(service_centre={"answer_s": 30.0})
    late = here.send("a")
    here.later(29)
    assert late == []
    here.later(10)
    here.centre.move(answer_s=41.0)
    too_late = here.send("b")
    here.later(100)

    assert late == [Sent(1)]
    assert too_late == [Sent(2, 332)]
    assert here.texts() == ["a", "b"]


def test_another_centre_than_that_of_the_card_is_out_of_order(station: Make) -> None:
    here = station(service_centre={"number": "+447700900001"})
    sent = here.send("x")
    here.later(20)

    assert sent == [Sent(1, 38)]


def test_without_a_centre_nothing_is_sent(station: Make) -> None:
    here = station(card={"service_centre": ""})

    assert here.send("x") == [Sent(0, 330)]
    assert here.seen() == []


def test_a_message_waits_while_the_phone_is_away_and_comes_with_its_return(station: Make) -> None:
    here = station()
    here.model.air.move(present=False)
    here.centre.bring(text="x")
    here.later(3600)
    assert (here.texts(), here.centre.waiting) == ([], 1)
    here.model.air.move(present=True)
    here.later(60)

    assert (here.texts(), here.centre.waiting) == (["x"], 0)


def test_a_message_whose_validity_is_over_is_gone_and_its_sender_hears_of_it(station: Make) -> None:
    here = station()
    here.send("x", report=True, validity=b"\x00")  # five minutes
    here.later(3)
    here.model.air.move(present=False)
    here.later(310)
    assert here.centre.waiting == 1  # the report
    here.model.air.move(present=True)
    here.later(60)

    assert here.texts() == []
    assert [report.status for report in reports(here)] == [0x46]


def test_a_report_tells_of_delivery_to_whom_and_when(station: Make) -> None:
    here = station()
    here.send("x", OTHER, report=True)
    here.later(20)
    (report,) = reports(here)

    assert (report.status, report.reference, report.recipient.text) == (0, 1, OTHER)
    assert report.discharge > report.stamp


def test_a_recipient_whose_phone_is_off_is_given_up_at_the_end_of_validity(station: Make) -> None:
    here = station(service_centre={"unreachable": OTHER})
    here.send("x", OTHER, report=True, validity=b"\x01")
    here.later(500)
    assert reports(here) == []
    here.later(200)

    assert [report.status for report in reports(here)] == [0x46]


def test_a_centre_without_reports_gives_none(station: Make) -> None:
    here = station(service_centre={"reports": False})
    here.send("x", report=True)
    here.later(60)

    assert (here.texts(), reports(here)) == (["x"], [])


def test_a_duplicate_is_rejected_where_the_sender_asks_for_that(station: Make) -> None:
    here = station(service_centre={"unreachable": OTHER})
    octets = here.submit("x", OTHER, flags=REJECT_DUPLICATES, reference=7)
    answers: list[int | None] = []
    for _ in range(2):
        here.centre.submit(octets, Address.of("+447700900000"), answers.append)
        here.later(5)

    assert answers == [None, 197]


def test_commands_ask_about_messages_and_delete_them(station: Make) -> None:
    here = station(service_centre={"unreachable": OTHER})
    here.send("x", OTHER)
    here.later(10)
    for what, message in ((0, 1), (0, 9), (2, 1), (0, 1)):
        command = Command(what=what, message=message, recipient=Address.of(OTHER), flags=0x20)
        here.messages.send(command.encode(), None, lambda _: None)
        here.later(10)

    # Trying; does not exist; deleted; does not exist any more.
    assert [report.status for report in reports(here)] == [0x22, 0x49, 0x47, 0x49]


def test_what_is_delivered_says_whether_more_waits(station: Make) -> None:
    here = station()
    here.model.air.move(present=False)
    for text in "ab":
        here.centre.bring(text=text)
    here.later(10)
    here.model.air.move(present=True)
    here.later(60)
    flags = [stored.message.flags for _, stored in here.messages.stores["SM"]]

    assert [flag & 0x04 for flag in flags] == [0, 4]


def test_a_long_message_comes_in_parts_of_one_reference(station: Make) -> None:
    here = station()
    here.centre.bring(text="x" * 300)
    here.later(30)
    places = [stored.message.data.place for _, stored in here.messages.stores["SM"]]

    assert [(place.total, place.number) for place in places] == [(2, 1), (2, 2)]
    assert len({place.reference for place in places}) == 1


def test_nothing_is_left_of_messages_that_have_been_delivered(station: Make) -> None:
    here = station()
    here.later(100)
    before = len(here.model.timeline)
    for _ in range(20):
        here.send("x", report=True)
        here.send("x", OTHER, report=True)
        here.later(30)
        for store in here.messages.stores.values():
            for index, _ in list(store):
                here.messages.delete(store, index)
    here.later(100)

    assert (len(here.model.timeline), here.centre.waiting) == (before, 0)


def test_a_class_and_another_alphabet_are_in_the_coding(station: Make) -> None:
    here = station()
    here.centre.bring(text="水", message_class=1, sender="12345")
    here.later(30)
    (message,) = [stored.message for _, stored in here.messages.stores["ME"]]

    assert isinstance(message, Deliver)
    assert (message.dcs, message.data.text, message.sender.text) == (0x19, "水", "12345")


@pytest.mark.parametrize(
    "moved", [{"lost": 2}, {"order": "x"}, {"refuses": 0}, {"number": "12"}, {"speed": 1}]
)
def test_manners_that_are_none_are_refused(station: Make, moved: dict[str, Any]) -> None:
    here = station()
    with pytest.raises(ValidationError):
        here.centre.move(**moved)
    assert here.centre.settings == ServiceCentreSettings()


def test_what_is_no_message_is_refused(station: Make) -> None:
    here = station()
    with pytest.raises(ValidationError):
        here.centre.bring(text="x", sender="somebody")


def test_a_message_can_be_scheduled(station: Make) -> None:
    here = station(schedule=[{"at_s": 100.0, "part": "message", "set": {"text": "LEVEL?"}}])
    here.later(35)
    assert here.texts() == []
    here.later(20)

    assert here.texts() == ["LEVEL?"]
