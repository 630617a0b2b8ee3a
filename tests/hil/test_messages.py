"""Messages above any bench: long ones cut and put together, reports, failures, places."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from hil.bench.files import BenchDescription
from hil.bench.simulated.bench import SimulatedBench
from hil.errors import CommandFailedError, NoReplyError
from hil.messages import Message
from hil.modem import Modem

OWN = "+447700900123"
LONG = "Gauge 7 of the Ashbeck reports [4.2 m]. " * 8


@pytest.fixture
def registered(describe: Callable[..., BenchDescription]) -> Iterator[Callable[..., Modem]]:
    """The modem of a bench, registered; what is to be different is passed on."""
    benches = []

    def registered(name: str = "gauge-station", **overrides: Any) -> Modem:  # noqa: ANN401 # any table
        bench = SimulatedBench(describe(name, **{"start": {"module": "ready"}, **overrides}), ports="memory")
        benches.append(bench)
        modem = Modem(bench)
        modem.make_registered()
        modem.wait_messages_ready()
        return modem

    yield registered
    for bench in benches:
        bench.close()


Make = Callable[..., Modem]


@pytest.mark.parametrize(("name", "own"), [("gauge-station", OWN), ("upper-station", "+447700900124")])
@pytest.mark.parametrize("text", ["OK", "[é] €", LONG, "水位 4,2 m", "水" * 100])
def test_a_text_that_is_sent_to_itself_is_read_and_deleted(
    registered: Make, name: str, own: str, text: str
) -> None:
    modem = registered(name)
    references = modem.messages.send(text, own)
    modem.bench.clock.wait(20)
    (message,) = modem.messages.read()

    assert (message.text, message.number, message.status) == (text, own, "unread")
    assert len(message.indexes) == len(references)
    assert message.stamp is not None
    modem.messages.delete(message)
    assert modem.messages.counts()[0] == 0


def test_parts_in_disorder_are_put_together_and_a_message_is_none_while_one_lacks(registered: Make) -> None:
    modem = registered(service_centre={"order": "last", "delivery_s": 20.0})
    modem.messages.send(LONG, OWN)
    modem.bench.clock.wait(60)
    (message,) = modem.messages.read()
    assert message.text == LONG
    modem.messages.delete(message.indexes[0])
    (message,) = modem.messages.read()

    assert (message.text, message.status) == (None, "read")


def test_a_report_tells_what_became_of_a_message(registered: Make) -> None:
    modem = registered()
    modem.command("AT+CNMI=2,1,0,2")
    (reference,) = modem.messages.send("x", "+447700900999", report=True)
    modem.bench.clock.wait(20)
    (report,) = modem.messages.read(store="SR")

    assert (report.delivery, report.reference, report.number) == (0, reference, "+447700900999")
    assert report.text is None


def test_a_refusal_is_told_with_its_cause(registered: Make) -> None:
    modem = registered(service_centre={"refuses": 38})

    with pytest.raises(CommandFailedError, match=r"\+CMS ERROR: 38"):
        modem.messages.send("x", OWN)


def test_a_command_that_does_not_prompt_is_told_as_it_answers(registered: Make) -> None:
    modem = registered()

    with pytest.raises(CommandFailedError, match=r"AT\+CMGS=999"):
        modem.enter("AT+CMGS=999", "00", timeout_s=5)


def test_without_a_prompt_the_entry_is_given_up(registered: Make) -> None:
    modem = registered(module={"unit": {"messages": {"prompt_s": 8.0}}})

    with pytest.raises(NoReplyError):
        modem.messages.send("x", OWN)
    modem.bench.clock.wait(20)
    modem.wake()
    assert modem.command("AT").is_ok
    assert modem.messages.counts()[0] == 0


def test_a_late_result_is_waited_for(registered: Make) -> None:
    modem = registered(service_centre={"answer_s": 35.0})

    assert modem.messages.send("x", OWN) == [1]
    with pytest.raises(NoReplyError):
        modem.messages.send("x", OWN, timeout_s=20)


def test_what_was_written_and_what_makes_no_sense_is_shown_too(registered: Make) -> None:
    modem = registered()
    modem.command("AT+CMGF=1")
    modem.enter('AT+CMGW="+447700900999"', "draft", timeout_s=5)
    store = modem.bench.model.messages.stores["SM"]  # type: ignore[attr-defined] # a simulated bench
    store.get(1).pdu = store.get(1).pdu._replace(tpdu=b"\x01")
    modem.enter('AT+CMGW="+447700900999"', "draft", timeout_s=5)

    assert modem.messages.read() == [
        Message(indexes=(1,), status="unsent"),
        Message(indexes=(2,), status="unsent", number="+447700900999", text="draft"),
    ]
    modem.messages.delete_all()
    assert modem.messages.counts() == (0, 20)


def test_echo_of_a_message_is_no_part_of_the_reply(registered: Make) -> None:
    modem = registered()
    modem.command("ATE1+CMGF=1")
    reply = modem.enter('AT+CMGW="+447700900999"', "OK then", timeout_s=5)

    assert reply.lines == ("+CMGW: 1",)
