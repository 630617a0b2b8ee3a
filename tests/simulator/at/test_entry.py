"""The entry of a message after its prompt, and every accident that can befall it (3GPP TS 27.005 3.5.1)."""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.at.entry import Prompt, TextEntry

OK, PROMPT = b"\r\nOK\r\n", b"\r\n> "
SEND, ESCAPE = b"\x1a", b"\x1b"
BEGIN = b'AT+CMGS="+447700900999"\r'
STORE = b'AT+CMGW="+447700900999"\r'


class Talk:
    """The AT port of a registered module in text mode, without echo, byte for byte."""

    def __init__(self, converse: Callable[..., Any], **overrides: Any) -> None:  # noqa: ANN401 # any table
        self.client = converse(**overrides)
        self.client('AT+CPIN="1234"')
        self.client.later(60)
        self.client("AT+CMGF=1;+CNMI=2,1")
        self.model = self.client.model
        self.port = self.client.port

    def __call__(self, data: bytes, seconds: float = 0.01) -> bytes:
        self.port.receive(data)
        return self.later(seconds)

    def later(self, seconds: float) -> bytes:
        self.model.timeline.run_until(self.model.timeline.now_ns + round(seconds * 1e9))
        heard: bytes = self.client.heard_bytes()
        return heard

    @property
    def sent(self) -> int:
        """How many messages the service centre has accepted since the last look."""
        return sum(event.what == "accepted" for event in self.model.recorder.take())

    @property
    def stored(self) -> int:
        return int(self.model.messages.stores["MT"].used)


@pytest.fixture
def talk(converse: Callable[..., Any]) -> Callable[..., Talk]:
    """Talk to a registered module; what is to be different is passed on."""
    return lambda **overrides: Talk(converse, **overrides)


Make = Callable[..., Talk]


def test_the_prompt_is_these_four_bytes_whatever_v_and_s3_say(talk: Make) -> None:
    here = talk()
    assert here(BEGIN) == PROMPT
    assert here(ESCAPE) == OK
    here(b"ATV0S4=33\r")

    assert here(BEGIN) == PROMPT


def test_ctrl_z_sends_and_the_result_comes_once(talk: Make) -> None:
    here = talk()
    here(BEGIN)
    assert here(b"Level 4.2 m") == b""
    assert here(SEND, 1) == b""

    assert here.later(30) == b"\r\n+CMGS: 1\r\n" + OK
    assert here.sent == 1


def test_escape_gives_up_and_nothing_is_sent_or_stored(talk: Make) -> None:
    here = talk()
    for begin in (BEGIN, STORE):
        here(begin)
        assert here(b"Level" + ESCAPE, 60) == OK

    assert (here.sent, here.stored) == (0, 0)


def test_each_cr_of_a_text_prompts_again_and_is_part_of_it(talk: Make) -> None:
    here = talk()
    here(STORE)
    assert here(b"one\rtwo\r") == PROMPT * 2
    here(SEND)

    assert b"\r\none\rtwo\r\r\n" in here(b"AT+CMGR=1\r")


def test_octets_may_be_written_in_lines_that_do_not_prompt_again(talk: Make) -> None:
    here = talk()
    here(b"AT+CMGF=0\r")
    assert here(b"AT+CMGS=14\r") == PROMPT
    assert here(b"0001000C9144770\r\n09099990000\r0141") == b""

    assert here(SEND, 30) == b"\r\n+CMGS: 1\r\n" + OK


def test_the_echo_shows_the_text_and_not_what_ends_it(talk: Make) -> None:
    here = talk()
    here(b"ATE1\r")
    assert here(BEGIN) == BEGIN + PROMPT
    assert here(b"ab\rc") == b"ab\r" + PROMPT + b"c"

    assert here(ESCAPE) == OK


def test_the_editing_character_takes_characters_back(talk: Make) -> None:
    here = talk()
    here(STORE)
    here(b"\x08\x08abx\x08c" + SEND)

    assert b"\r\nabc\r\n" in here(b"AT+CMGR=1\r")


def test_text_that_is_sent_together_with_its_command_is_taken(talk: Make) -> None:
    here = talk()

    assert here(STORE + b"abc" + SEND + b"AT+CMGR=1\r") == (
        PROMPT + b"\r\n+CMGW: 1\r\n" + OK + b'\r\n+CMGR: "STO UNSENT","+447700900999",\r\nabc\r\n' + OK
    )


def test_text_that_comes_before_its_command_is_no_text(talk: Make) -> None:
    here = talk()

    assert here(b"Level 4.2 m" + SEND) == b""
    assert here(b"AT\r") == OK
    assert here.sent == 0


def test_a_refused_command_does_not_prompt_and_the_text_is_lost(talk: Make) -> None:
    here = talk()

    assert here(b'AT+CMGS=""\rLevel' + SEND + b"\rAT\r") == b"\r\n+CMS ERROR: 305\r\n" + OK
    assert here.sent == 0


def test_commands_in_an_open_entry_are_text_until_it_is_ended(talk: Make) -> None:
    here = talk()
    here(BEGIN)
    here.port.client_closed()
    here.port.client_opened()
    assert here(b"AT\rAT+CSQ\r", 60) == PROMPT * 2
    assert here(ESCAPE) == OK

    assert here(b"AT\r") == OK
    assert here.sent == 0


def test_what_comes_after_ctrl_z_waits_for_the_result(talk: Make) -> None:
    here = talk()
    here(BEGIN)

    assert here(b"x" + SEND + b"AT+CMGF?\r", 30) == (b"\r\n+CMGS: 1\r\n" + OK + b"\r\n+CMGF: 1\r\n" + OK)


def test_a_line_goes_on_after_its_message(talk: Make) -> None:
    here = talk()
    here(b'AT+CMGW="+447700900999";+CMGF?\r')

    assert here(b"x" + SEND) == b"\r\n+CMGW: 1\r\n\r\n+CMGF: 1\r\n" + OK


@pytest.mark.parametrize("ends", ["supply", "restart"])
def test_an_entry_that_the_module_s_end_cuts_is_lost(talk: Make, ends: str) -> None:
    here = talk()
    here(BEGIN)
    here(b"Level")
    if ends == "supply":
        here.model.supply.turn(on=False)
    else:
        here.model.module.power.restart("test")
    here.later(60)

    assert (here.sent, here.stored) == (0, 0)


def test_a_port_that_goes_and_comes_back_has_no_entry(talk: Make) -> None:
    here = talk()
    here(BEGIN)
    here.model.module.usb.reset("test")
    here.later(5)
    here.port.client_opened()
    here(b"ATE0\r")

    assert here(b"AT\r") == OK
    assert here.sent == 0


def test_a_result_that_comes_when_the_port_is_gone_is_lost(talk: Make) -> None:
    here = talk()
    here(BEGIN)
    here(b"x" + SEND, 1.5)
    here.model.module.usb.reset("test")
    here.later(60)
    here.port.client_opened()
    here(b"ATE0\r")

    assert here(b"AT\r") == OK
    assert here.sent == 1


def test_the_carrier_line_is_up_while_a_message_is_entered(talk: Make) -> None:
    here = talk()
    assert not here.port.control_lines.dcd
    here(BEGIN)
    assert here.port.control_lines.dcd
    here(ESCAPE)

    assert not here.port.control_lines.dcd


def test_another_port_answers_meanwhile(talk: Make) -> None:
    here = talk()
    here(BEGIN)
    data = here.model.module.ports["data"]
    data.client_opened()
    data.receive(b"AT\r")

    assert here.client.edges.by_role["data"].take(100).endswith(OK)


def test_word_of_a_message_waits_for_the_end_of_an_entry(talk: Make) -> None:
    here = talk()
    here(BEGIN)
    here.model.service_centre.bring(text="x")
    assert here.later(60) == b""

    assert here(ESCAPE) == OK + b'\r\n+CMTI: "SM",1\r\n'


def test_a_module_can_take_its_time_to_prompt_or_prompt_otherwise(talk: Make) -> None:
    here = talk(module={"unit": {"messages": {"prompt_s": 0.5, "prompt": "\r\n>"}}})
    assert here(STORE, 0.4) == b""

    assert here.later(0.2) == b"\r\n>"
    assert here(b"x" + SEND) == b"\r\n+CMGW: 1\r\n" + OK


def test_what_comes_before_a_late_prompt_is_text(talk: Make) -> None:
    here = talk(module={"unit": {"messages": {"prompt_s": 0.5}}})
    assert here(STORE + b"x" + SEND + b"AT\r", 0.1) == b""
    assert here.later(1) == PROMPT + b"\r\n+CMGW: 1\r\n" + OK * 2
    here(STORE + ESCAPE, 0.1)

    assert here.later(1) == PROMPT + OK


def test_a_module_for_which_escape_is_text_goes_on(talk: Make) -> None:
    here = talk(module={"unit": {"messages": {"quirks": {"escape_is_text": True}}}})
    here(STORE)
    assert here(b"x" + ESCAPE) == b""
    assert here(b"\x08" + SEND) == b"\r\n+CMGW: 1\r\n" + OK
    here(STORE)

    assert here(ESCAPE + SEND) == b"\r\n+CMS ERROR: 305\r\n"  # no character of a message


def test_a_module_can_answer_escape_with_an_error(talk: Make) -> None:
    here = talk(module={"unit": {"messages": {"quirks": {"cancel_is_error": True}}}})
    here(STORE)

    assert here(ESCAPE) == b"\r\nERROR\r\n"


def test_a_module_can_store_what_was_not_finished(talk: Make) -> None:
    here = talk(module={"unit": {"messages": {"quirks": {"keeps_unfinished": True}}}})
    here(BEGIN)
    here(b"Level")
    here.model.supply.turn(on=False)
    here.later(1)

    assert here.stored == 1


@given(st.binary(max_size=3000), st.lists(st.integers(0, 3000), max_size=6), st.booleans())
def test_slices_do_not_matter_and_memory_is_bounded(data: bytes, cuts: list[int], echo: bool) -> None:
    def entry() -> tuple[Prompt, TextEntry]:
        prompt = Prompt(again=True)
        return prompt, TextEntry(prompt, shown=PROMPT, editor=8, mask=0x7F, escape_is_text=False)

    (first, whole), (second, sliced) = entry(), entry()
    said, rest = whole.receive(data, echo=echo)
    end = len(data) if rest is None else len(data) - len(rest)
    ends = sorted({0, *(min(cut, end) for cut in cuts), end})
    pieces = [sliced.receive(data[start:stop], echo=echo) for start, stop in pairwise(ends)]

    assert b"".join(piece for piece, _ in pieces) == said
    assert [left for _, left in pieces if left is not None] == ([] if rest is None else [b""])
    assert (first.text, whole.text) == (second.text, sliced.text)
    assert len(whole.text) <= 2048
