"""What becomes of messages in the module: routed, kept, refused, acknowledged; what it draws meanwhile."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.bench.files import load_bench
from hil.bench.shipped import find_bench
from simulator.codec.addresses import Address
from simulator.codec.damage import PduError
from simulator.codec.message_pdu import MessagePdu
from simulator.codec.tpdu import Submit
from simulator.codec.user_data import UserData
from simulator.kernel.timeline import ns
from simulator.messages.messages import Received, Sent
from simulator.messages.routing import Destination, Routing, Way
from simulator.messages.store import Status, Stored
from simulator.model import Model

Make = Callable[..., Any]


def fill(station: Any, name: str = "SM", *, leaving: int = 0) -> None:  # noqa: ANN401 # a Station
    store = station.messages.stores[name]
    while store.capacity - store.used > leaving:
        store.add(Stored(MessagePdu(None, station.submit("old")), Status.UNSENT))


def take_all(station: Any) -> list[Received]:  # noqa: ANN401 # a Station
    """From now on a terminal takes every message that is handed out."""
    taken: list[Received] = []

    def take(received: Received) -> bool:
        taken.append(received)
        return True

    station.messages.give = take
    return taken


# -- sending ------------------------------------------------------------------


def test_references_count_from_message_to_message_and_round(station: Make) -> None:
    here = station()
    first = here.send("x")
    here.later(10)
    for _ in range(254):
        here.messages.next_reference()
    second = here.send("x")
    here.later(10)

    assert [first[0].reference, second[0].reference] == [1, 0]


@pytest.mark.parametrize(
    ("overrides", "error"),
    [({"card": {"pin_tries": 0}}, 316), ({"card": {"pin_tries": 0, "puk_tries": 0}}, 313)],
)
def test_a_card_that_cannot_be_used_is_said_so(build: Make, overrides: dict[str, Any], error: int) -> None:
    model = build(**{"start": {"module": "ready"}, **overrides})

    assert model.messages.refusal == error


def test_a_card_that_waits_for_its_pin_or_is_not_there(build: Make, describe: Make) -> None:
    settings = describe(start={"module": "ready"}).settings
    empty = Model(settings.model_copy(update={"card": None}))
    empty.start()

    assert build(start={"module": "ready"}).messages.refusal == 311
    assert empty.messages.refusal == 310


def test_the_store_is_busy_for_a_while_after_each_boot(station: Make) -> None:
    here = station()
    assert here.messages.refusal is None
    here.model.module.power.restart("test")
    here.later(60)
    here.model.card.enter_pin("1234")
    here.later(60)
    assert here.messages.refusal is None
    here.model.module.power.restart("test")

    assert here.messages.refusal == 314


def test_without_service_nothing_is_sent(station: Make) -> None:
    here = station()
    here.model.module.radio.request(4)

    assert here.send("x") == [Sent(0, 331)]


@pytest.mark.parametrize(
    ("network", "has_service"),
    [
        ({"registers": "messages"}, True),
        ({"registers": "packet"}, False),
        ({"technology": "2g", "registers": "packet"}, True),
        ({"technology": "2g", "registers": "circuit"}, True),
    ],
)
def test_registered_for_packet_service_alone_lte_carries_no_messages(
    station: Make, network: dict[str, Any], has_service: bool
) -> None:
    here = station(network=network)
    here.centre.bring(text="x")
    sent = here.send("y", "+447700900999")
    here.later(20)

    assert sent == [Sent(1) if has_service else Sent(0, 331)]
    assert here.texts() == ["x"] * has_service


def test_service_that_is_lost_while_sending_ends_it(station: Make) -> None:
    here = station()
    sent = here.send("x")
    here.later(0.2)
    here.model.air.move(present=False)
    here.later(60)

    assert sent == [Sent(1, 331)]
    assert here.texts() == []


def test_a_message_that_power_is_lost_in_the_middle_of_may_be_on_its_way_and_nobody_is_told(
    station: Make,
) -> None:
    here = station()
    sent = here.send("x")
    here.later(1.5)  # it has left, its acknowledgement has not come
    here.model.supply.turn(on=False)
    here.later(60)

    assert sent == []
    assert here.seen() == ["sending", "accepted"]
    assert here.centre.waiting == 1


def test_what_makes_no_sense_is_never_sent(station: Make) -> None:
    here = station()
    with pytest.raises(PduError):
        here.messages.send(b"\x01\x00\x0b", None, lambda _: None)

    assert here.seen() == []


@pytest.mark.parametrize("technology", ["lte", "2g"])
def test_sending_draws_the_bursts_of_the_technology_and_more_to_send_saves_opening_the_link(
    station: Make, technology: str
) -> None:
    here = station(network={"technology": technology})
    demands: list[str] = []
    here.model.module.consumption.changed.listen(lambda demand: demands.append(demand.label))
    spans = []
    here.messages.link.stays_open = 2
    for _ in range(2):
        began_ns = here.model.timeline.now_ns
        sent = here.send("x", "+447700900999")
        while not sent:
            here.later(0.05)
        spans.append((here.model.timeline.now_ns - began_ns) / 1e9)

    assert demands == [f"transmit {technology}", "idle with USB"] * 2
    assert spans == pytest.approx([2.9, 2.3])


def test_one_more_to_send_turns_to_none_when_nothing_follows(station: Make) -> None:
    here = station()
    here.messages.link.stays_open = 1
    here.send("x")
    here.later(4)
    assert here.messages.link.stays_open == 1
    here.later(10)

    assert here.messages.link.stays_open == 0


def test_a_message_that_no_cell_hears_times_out(station: Make) -> None:
    here = station()
    here.model.air.move_antennas(main=False)
    sent = here.send("x")
    here.later(60)

    assert sent == [Sent(1, 332)]
    assert "accepted" not in here.seen()


# -- what comes ----------------------------------------------------------------

# <mt> of +CNMI, the class of the message, and where it goes (TS 27.005 3.4.1, from memory).
WAYS = [
    (0, None, Destination(Way.STORE)),
    (0, 0, Destination(Way.DROP)),
    (0, 1, Destination(Way.STORE, "ME")),
    (0, 2, Destination(Way.STORE, "SM")),
    (0, 3, Destination(Way.STORE)),
    (1, None, Destination(Way.STORE)),
    (1, 0, Destination(Way.DROP)),
    (1, 1, Destination(Way.STORE, "ME")),
    (1, 2, Destination(Way.STORE, "SM")),
    (1, 3, Destination(Way.STORE)),
    (2, None, Destination(Way.DIRECT)),
    (2, 0, Destination(Way.DIRECT)),
    (2, 1, Destination(Way.DIRECT)),
    (2, 2, Destination(Way.STORE, "SM")),
    (2, 3, Destination(Way.DIRECT)),
    (3, None, Destination(Way.STORE)),
    (3, 0, Destination(Way.DROP)),
    (3, 1, Destination(Way.STORE, "ME")),
    (3, 2, Destination(Way.STORE, "SM")),
    (3, 3, Destination(Way.DIRECT)),
]


@pytest.mark.parametrize(("messages", "message_class", "way"), WAYS)
def test_a_message_goes_where_its_class_and_the_terminals_say(
    station: Make, messages: int, message_class: int | None, way: Destination
) -> None:
    here = station()
    here.routing = Routing(mode=2, messages=messages)
    taken = take_all(here)
    here.centre.bring(text="x", message_class=message_class)
    here.later(20)

    assert len(taken) == (way.way is Way.DIRECT)
    stored = {name: store.used for name, store in here.messages.stores.items() if name != "MT"}
    expected = way.store or "SM" if way.way is Way.STORE else None
    assert stored == {name: int(name == expected) for name in stored}
    assert here.centre.waiting == 0


@pytest.mark.parametrize(("dcs", "way"), [(0xC8, Way.DROP), (0xD8, Way.STORE)])
def test_word_of_waiting_messages_is_kept_or_not_as_it_says(station: Make, dcs: int, way: Way) -> None:
    here = station()
    here.centre.forward(UserData.of("mail"), sender=Address.of("123"), dcs=dcs)
    here.later(20)

    assert here.messages.stores["SM"].used == (way is Way.STORE)


def test_a_reserved_coding_is_taken_for_the_default_alphabet(station: Make) -> None:
    here = station()
    here.centre.forward(UserData.of("mail"), sender=Address.of("123"), dcs=0x8C)
    here.later(20)

    assert here.texts() == ["mail"]


def test_a_silent_message_is_acknowledged_and_leaves_no_trace(station: Make) -> None:
    here = station()
    here.centre.bring(text="x", pid=0x40)
    here.later(20)

    assert (here.texts(), here.centre.waiting) == ([], 0)


def test_a_replacing_message_takes_the_place_of_the_one_before_from_the_same_sender(station: Make) -> None:
    here = station()
    for text, sender in (("a", "+4477"), ("b", "+4488"), ("c", "+4477")):
        here.centre.bring(text=text, pid=0x41, sender=sender)
        here.later(10)

    assert here.texts() == ["c", "b"]


def test_what_comes_to_a_full_store_waits_at_the_centre_until_there_is_room(station: Make) -> None:
    here = station()
    fill(here)
    here.centre.bring(text="x")
    here.later(3600)
    assert here.centre.waiting == 1
    assert here.messages.stores["SM"].used == 20
    here.messages.delete(here.messages.stores["SM"], 3)
    here.later(10)

    assert here.centre.waiting == 0
    assert here.messages.stores["SM"].get(3).message.data.text == "x"


def test_a_full_store_of_reports_lets_reports_wait(station: Make) -> None:
    here = station(module={"unit": {"messages": {"report_places": 1}}})
    for _ in range(2):
        here.send("x", "+447700900999", report=True)
        here.later(10)

    assert here.messages.stores["SR"].used == 1
    assert here.centre.waiting == 1


def test_reports_go_nowhere_unless_asked_for(station: Make) -> None:
    here = station()
    here.routing = Routing(mode=2, messages=1)
    here.send("x", "+447700900999", report=True)
    here.later(20)

    assert here.messages.stores["SR"].used == here.centre.waiting == 0


def test_store_and_counters_outlive_a_loss_of_power(station: Make) -> None:
    here = station()
    here.centre.bring(text="x")
    here.later(20)
    here.model.supply.turn(on=False)
    here.later(5)

    assert here.texts() == ["x"]


def test_another_card_has_other_messages_and_the_first_keeps_its_own(station: Make) -> None:
    here = station(card={"pin": None})
    here.centre.bring(text="x")
    here.later(20)
    here.messages.centre_address = None
    for iccid, texts, reference in (("8999900000000000139", [], 1), ("8999900000000000121", ["x"], 0)):
        here.model.card.move(present=False)
        here.later(1)
        here.model.card.move(present=True, iccid=iccid)
        here.later(120)
        assert here.texts() == texts
        assert (here.messages.centre_address is not None) is (not texts)
        sent = here.send("y", "+447700900999")
        here.later(20)
        assert sent[0].reference == reference


def test_a_message_waits_while_the_module_is_not_heard(station: Make) -> None:
    here = station()
    here.model.air.move_antennas(main=False)
    here.centre.bring(text="x")
    here.later(60)

    assert (here.texts(), here.centre.waiting) == ([], 1)


# -- messages that are handed out -------------------------------------------------


def handed(station: Any, *, service: int = 1) -> list[Received]:  # noqa: ANN401 # a Station
    station.routing = Routing(mode=2, messages=2)
    station.messages.service = service
    taken = take_all(station)
    station.centre.bring(text="x")
    station.later(5)
    return taken


def test_phase_2_acknowledges_by_itself(station: Make) -> None:
    here = station()
    assert len(handed(here, service=0)) == 1

    assert (here.centre.waiting, here.messages.waits_for_terminal) == (0, False)


def test_phase_2_plus_waits_for_the_terminal(station: Make) -> None:
    here = station()
    handed(here)
    assert (here.centre.waiting, here.messages.waits_for_terminal) == (1, True)
    here.messages.acknowledge(None)
    here.later(1)

    assert (here.centre.waiting, here.messages.waits_for_terminal) == (0, False)


def test_a_message_that_nobody_acknowledges_is_kept_by_the_centre(station: Make) -> None:
    here = station()
    stopped: list[None] = []
    here.messages.unacknowledged.listen(stopped.append)
    handed(here)
    here.later(20)
    assert (len(stopped), here.centre.waiting) == (1, 1)
    here.routing = Routing(mode=2, messages=1)
    here.later(60)

    assert here.texts() == ["x"]


def test_a_message_that_the_terminal_refuses_is_not_brought_again(station: Make) -> None:
    here = station()
    handed(here)
    here.messages.acknowledge(111)
    here.later(200)

    assert (here.centre.waiting, here.texts()) == (0, [])
    assert "rejected" in here.seen()


def test_a_loss_of_power_leaves_the_message_with_the_centre(station: Make) -> None:
    here = station()
    handed(here)
    here.model.supply.turn(on=False)
    here.later(5)

    assert (here.centre.waiting, here.messages.waits_for_terminal) == (1, False)


# -- ways in which modules differ ----------------------------------------------------


def test_a_module_that_overwrites_gives_up_its_oldest(station: Make) -> None:
    here = station(module={"unit": {"messages": {"quirks": {"overwrites_oldest": True}}}})
    fill(here)
    here.centre.bring(text="x")
    here.later(20)

    assert here.texts()[:2] == ["x", "old"]
    assert here.centre.waiting == 0


def test_a_module_that_loses_acknowledges_what_it_cannot_keep(station: Make) -> None:
    here = station(module={"unit": {"messages": {"quirks": {"loses_when_full": True}}}})
    fill(here)
    here.centre.bring(text="x")
    here.later(20)

    assert here.centre.waiting == 0
    assert "x" not in here.texts()


def test_a_module_that_keeps_places_is_full_until_it_restarts(station: Make) -> None:
    here = station(module={"unit": {"messages": {"quirks": {"keeps_places": True}}}})
    fill(here)
    store = here.messages.stores["SM"]
    here.messages.delete(store, 1)
    assert store.is_full
    here.model.module.power.restart("test")

    assert store.used == 19


# -- whatever happens ------------------------------------------------------------------


class Week:
    """A module with three places, its service centre, and what has become of messages."""

    def __init__(self, *, doubled: bool) -> None:
        overrides = {
            "start": {"module": "ready"},
            "card": {"pin": None, "messages": 3},
            "service_centre": {"doubled": float(doubled)},
        }
        self.model = Model(load_bench(find_bench("gauge-station"), overrides).settings)
        self.model.start()
        self.model.messages.routings = lambda: (Routing(mode=2, messages=1),)
        self.store, self.centre = self.model.messages.memory(2), self.model.service_centre
        self.brought = self.deleted = 0
        self.later(60)

    def later(self, seconds: float) -> None:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))

    def bring(self) -> None:
        self.centre.bring(text="x")
        self.brought += 1

    def send(self) -> None:
        message = Submit(recipient=Address.of("+447700900999"), data=UserData.of("x"))
        self.model.messages.send(message.encode(), None, lambda _: None)

    def delete(self) -> None:
        index = next((index for index, _ in self.store), None)
        if index is not None:
            self.model.messages.delete(self.store, index)
            self.deleted += 1

    def go_away(self) -> None:
        self.model.air.move(present=False)

    def come_back(self) -> None:
        self.model.air.move(present=True)

    def cut(self) -> None:
        self.model.supply.turn(on=False)
        self.later(1)
        self.model.supply.turn(on=True)
        self.later(1)
        self.model.module.power.start("test")
        self.later(60)

    def slow_down(self) -> None:
        self.centre.move(answer_s=50.0)


STEPS = (
    Week.bring,
    Week.bring,
    Week.send,
    Week.delete,
    Week.go_away,
    Week.come_back,
    Week.cut,
    Week.slow_down,
)


@settings(max_examples=25, deadline=None)
@given(steps=st.lists(st.sampled_from(STEPS), max_size=25), doubled=st.booleans())
def test_no_message_is_lost_or_doubled_by_the_module_whatever_happens(
    steps: list[Callable[[Week], None]], doubled: bool
) -> None:
    week = Week(doubled=doubled)
    for step in steps:
        step(week)
        week.later(7)
        assert week.store.used <= week.store.capacity == 3
    week.come_back()
    week.later(120)

    accounted = week.store.used + week.centre.waiting + week.deleted
    assert week.brought <= accounted <= week.brought * (1 + doubled)
    assert week.centre.waiting == 0 or week.store.is_full
