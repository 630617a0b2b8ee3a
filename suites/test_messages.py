"""Short messages: there and back, the prompt and its accidents, the store over weeks, late results.

The module writes to its own number.  Its card's messages are deleted: use a test card.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from hil.errors import CommandFailedError
from hil.verbatim import Verbatim

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.interface import Bench
    from hil.measure import Measure
    from hil.messages import Message
    from hil.modem import Modem

pytestmark = pytest.mark.needs("header:power_key", "port:at", "card", "own-number", "surroundings:network")

OK: Final = b"\r\nOK\r\n"
SEND, ESCAPE = b"\x1a", b"\x1b"

GSM_TEXT: Final = "Level [4.2 m] at gauge 7 {~3 €} @ £_?"
UCS2_TEXT: Final = "水位 4,2 m ✓"
LONG_TEXT: Final = "Gauge 7 of the Ashbeck reports a level of [4.2 m]. " * 5

# A message between two phones takes seconds, seldom more than a minute (common practice, no source).
_ARRIVES_S: Final = 120.0
# A network answers late at times; a module gives up after 35 to 45 s (3GPP TS 24.011 10.2.2.1, from memory).
_LATE_S, _TOO_LATE_S = 30.0, 60.0
_TIMEOUT: Final = 332
_MEMORY_FULL: Final = 322
_INVALID_PDU: Final = 304
# No network's service centre.
_NO_CENTRE: Final = "+447700900998"


@pytest.fixture
def station(modem_registered: Modem) -> Modem:
    """The modem, registered, the card's store in force and empty."""
    modem_registered.wait_messages_ready()
    _use_card(modem_registered)
    modem_registered.messages.delete_all()
    return modem_registered


def _use_card(modem: Modem) -> None:
    modem.command('AT+CPMS="SM","SM","SM"')
    modem.command("AT+CNMI=2,1,0,0,0")


def _own(bench: Bench) -> str:
    assert bench.own_number is not None
    return bench.own_number


def _wait_for(modem: Modem, count: int) -> list[Message]:
    """The messages in store once so many places are taken."""
    holds: Callable[[], bool] = lambda: modem.messages.counts()[0] >= count  # noqa: E731 # short
    modem.wait_until(f"{count} places taken", holds, timeout_s=_ARRIVES_S)
    return modem.messages.read()


def _hear(modem: Modem, prefix: str) -> list[str]:
    """The lines that come by themselves, up to one that begins with *prefix* and the one after it."""
    lines: list[str] = []
    left_s = _ARRIVES_S
    while left_s > 0 and not any(line.startswith(prefix) for line in lines):
        lines += modem.listen(1)
        left_s -= 1
    return lines + modem.listen(1)


def _swapped(number: str) -> str:
    """A number as PDUs have it: digits in pairs, each turned round."""
    digits = number.removeprefix("+")
    padded = digits if len(digits) % 2 == 0 else f"{digits}F"
    return "".join(padded[place + 1] + padded[place] for place in range(0, len(padded), 2))


def _pdu(bench: Bench, *, centre: str = "00") -> tuple[str, int]:
    """The letter A to the module's own number as a PDU, and its length without the service centre."""
    own = _own(bench)
    tpdu = f"0100{len(own) - 1:02X}91{_swapped(own)}00000141"
    return centre + tpdu, len(tpdu) // 2


def _write(modem: Modem, *, times: int = 1) -> None:
    """Put a message into store, so many times."""
    modem.command("AT+CMGF=0")
    pdu, length = _pdu(modem.bench)
    for _ in range(times):
        modem.enter(f"AT+CMGW={length}", pdu, timeout_s=30)


def _verbatim(modem: Modem, bench: Bench) -> Verbatim:
    """The port's bytes, echo off, text mode."""
    modem.close()
    port = Verbatim(bench)
    port.ask(b"ATE0+CMGF=1\r")
    return port


# -- there and back ---------------------------------------------------------------


@pytest.mark.parametrize("text", [GSM_TEXT, UCS2_TEXT], ids=["gsm", "ucs2"])
def test_a_text_to_itself_comes_back_as_it_was_sent(station: Modem, bench: Bench, text: str) -> None:
    station.messages.send(text, _own(bench))
    (message,) = _wait_for(station, 1)

    assert (message.text, message.number, message.status) == (text, _own(bench), "unread")
    station.messages.delete(message)
    assert station.messages.counts()[0] == 0


@pytest.mark.parametrize("text", [LONG_TEXT, UCS2_TEXT * 8], ids=["gsm", "ucs2"])
def test_a_long_text_comes_back_whole(station: Modem, bench: Bench, text: str) -> None:
    references = station.messages.send(text, _own(bench))
    (message,) = _wait_for(station, len(references))

    assert len(references) == 2
    assert message.text == text


@pytest.mark.needs("surroundings:service_centre")
def test_parts_that_come_in_disorder_are_put_together(station: Modem, bench: Bench) -> None:
    bench.surroundings.move("service_centre", order="last", delivery_s=20.0)
    station.messages.send(LONG_TEXT, _own(bench))
    (message,) = _wait_for(station, 2)

    assert message.text == LONG_TEXT


def test_no_message_comes_twice(station: Modem, bench: Bench) -> None:
    station.messages.send(GSM_TEXT, _own(bench))
    _wait_for(station, 1)
    bench.clock.wait(30)

    assert len(station.messages.read()) == 1


@pytest.mark.parametrize(("setting", "told"), [("2,0", ""), ("2,1", "+CMTI: "), ("2,2", "+CMT: ")])
def test_word_of_a_message_comes_as_it_was_asked_for(
    station: Modem, bench: Bench, setting: str, told: str
) -> None:
    station.command(f"AT+CNMI={setting}")
    station.messages.send(GSM_TEXT, _own(bench))
    if not told:
        _wait_for(station, 1)
        assert not [line for line in station.listen(5) if line.startswith("+CMT")]
        return
    lines = _hear(station, told)

    assert [line for line in lines if line.startswith(told)]
    assert station.messages.counts()[0] == (told == "+CMTI: ")


def test_a_report_comes_for_whoever_asks(station: Modem, bench: Bench) -> None:
    station.command("AT+CNMI=2,1,0,1")
    station.messages.send(GSM_TEXT, _own(bench), report=True)
    lines = _hear(station, "+CDS: ")

    assert [line for line in lines if line.startswith("+CDS: ")]


# -- the prompt and its accidents ----------------------------------------------------


def test_the_prompt_is_that_of_the_profile(station: Modem, bench: Bench) -> None:
    port = _verbatim(station, bench)
    ways = bench.profile.messages
    heard = port.ask(f'AT+CMGS="{_own(bench)}"\r'.encode(), silence_s=ways.prompt_s + port.silence_s)
    port.ask(ESCAPE)
    port.close()

    assert heard == ways.prompt.encode()


def test_each_line_of_a_text_prompts_again_and_the_lines_are_kept(station: Modem, bench: Bench) -> None:
    port = _verbatim(station, bench)
    prompt = bench.profile.messages.prompt.encode()
    port.ask(f'AT+CMGW="{_own(bench)}"\r'.encode(), silence_s=1)
    heard = port.ask(b"one\r", silence_s=1) + port.ask(b"two", silence_s=1)
    result = port.ask(SEND, silence_s=5)
    port.close()

    assert heard == prompt
    assert result.endswith(OK)
    assert [message.text for message in station.messages.read()] == ["one\rtwo"]


def test_escape_gives_a_message_up_and_nothing_is_sent_or_stored(station: Modem, bench: Bench) -> None:
    port = _verbatim(station, bench)
    for command in ("+CMGS", "+CMGW"):
        port.ask(f'AT{command}="{_own(bench)}"\r'.encode(), silence_s=1)
        port.send(b"never sent")
        port.ask(ESCAPE, silence_s=1)
        assert port.ask(b"AT\r").endswith(OK)
    port.close()
    bench.clock.wait(30)

    assert station.messages.counts()[0] == 0


def test_after_a_client_s_death_in_mid_message_escape_brings_the_modem_back(
    station: Modem, bench: Bench
) -> None:
    port = _verbatim(station, bench)
    port.ask(f'AT+CMGS="{_own(bench)}"\r'.encode(), silence_s=1)
    port.send(b"half a mess")
    port.close()
    bench.clock.wait(1)
    port = Verbatim(bench)
    port.ask(ESCAPE, silence_s=1)
    heard = port.ask(b"AT\r")
    port.close()
    bench.clock.wait(30)

    assert heard.endswith(OK)
    assert station.messages.counts()[0] == 0


@pytest.mark.parametrize("damage", ["length", "odd digit"])
def test_a_damaged_message_is_refused_and_nothing_is_stored(
    station: Modem, bench: Bench, damage: str
) -> None:
    pdu, length = _pdu(bench)
    station.command("AT+CMGF=0")
    length, pdu = (length + 1, pdu) if damage == "length" else (length, pdu + "0")
    reply = station.enter(f"AT+CMGW={length}", pdu, timeout_s=60, demand_ok=False)

    assert reply.error_code == _INVALID_PDU
    assert station.messages.counts()[0] == 0


@pytest.mark.needs("supply")
def test_power_lost_in_the_middle_of_a_message_leaves_the_store_as_it_was(
    station: Modem, bench: Bench
) -> None:
    _write(station)
    port = _verbatim(station, bench)
    port.ask(f'AT+CMGW="{_own(bench)}"\r'.encode(), silence_s=1)
    port.send(b"half a mess")
    bench.supply.off()
    port.close()
    bench.clock.wait(5)
    bench.supply.on()
    bench.clock.wait(1)
    station.make_ready()
    station.make_registered()
    station.wait_messages_ready()
    _use_card(station)

    assert station.messages.counts()[0] == 1


# -- the store ------------------------------------------------------------------------


def test_a_full_store_refuses_and_loses_nothing(station: Modem) -> None:
    _, places = station.messages.counts()
    _write(station, times=places)
    assert station.messages.counts() == (places, places)
    with pytest.raises(CommandFailedError, match=rf"\+CMS ERROR: {_MEMORY_FULL}"):
        _write(station)

    assert station.messages.counts() == (places, places)
    assert len(station.messages.read()) == places


def test_what_comes_to_a_full_store_comes_when_there_is_room(station: Modem, bench: Bench) -> None:
    _, places = station.messages.counts()
    _write(station, times=places)
    station.messages.send(GSM_TEXT, _own(bench))
    bench.clock.wait(60)
    assert station.messages.counts() == (places, places)
    station.messages.delete(places)
    messages = _wait_for(station, places)

    assert messages[-1].text == GSM_TEXT


def test_a_store_that_is_filled_and_emptied_for_weeks_stays_usable(station: Modem) -> None:
    _, places = station.messages.counts()
    for round_number in range(3):
        _write(station, times=places)
        assert station.messages.counts() == (places, places)
        if round_number == 1:
            station.messages.delete_all()
        else:
            for message in station.messages.read():
                station.messages.delete(message)
        assert station.messages.counts() == (0, places)

    assert station.messages.read() == []


# -- late and never -----------------------------------------------------------------------


@pytest.mark.needs("surroundings:service_centre")
def test_a_late_result_is_one_result_of_one_message(station: Modem, bench: Bench, measure: Measure) -> None:
    bench.surroundings.move("service_centre", answer_s=_LATE_S)
    began_s = bench.clock.now_s()
    references = station.messages.send(GSM_TEXT, _own(bench))
    measure("result", bench.clock.now_s() - began_s, "s", low=_LATE_S)
    bench.clock.wait(_ARRIVES_S)
    lines = station.listen(1)

    assert len(references) == 1
    assert not [line for line in lines if line == "OK" or line.startswith("+CMGS")]
    assert len(station.messages.read()) == 1


@pytest.mark.needs("surroundings:service_centre")
def test_after_a_timeout_of_the_network_the_message_may_be_on_its_way(station: Modem, bench: Bench) -> None:
    bench.surroundings.move("service_centre", answer_s=_TOO_LATE_S)
    with pytest.raises(CommandFailedError, match=rf"\+CMS ERROR: {_TIMEOUT}"):
        station.messages.send(GSM_TEXT, _own(bench))

    assert [message.text for message in _wait_for(station, 1)] == [GSM_TEXT]


def test_a_wrong_service_centre_is_refused_with_a_cause(station: Modem, bench: Bench) -> None:
    station.command("AT+CMGF=0")
    pdu, length = _pdu(bench, centre=f"0791{_swapped(_NO_CENTRE)}")
    reply = station.enter(f"AT+CMGS={length}", pdu, timeout_s=120, demand_ok=False)

    assert reply.error_code is not None


@pytest.mark.needs("surroundings:service_centre")
@pytest.mark.parametrize("cause", [21, 38, 42])
def test_a_refusal_is_told_with_the_network_s_cause(station: Modem, bench: Bench, cause: int) -> None:
    bench.surroundings.move("service_centre", refuses=cause)
    with pytest.raises(CommandFailedError, match=rf"\+CMS ERROR: {cause}\b"):
        station.messages.send(GSM_TEXT, _own(bench))
    bench.clock.wait(30)

    assert station.messages.counts()[0] == 0
