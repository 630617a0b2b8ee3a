"""The AT client: replies and unsolicited lines told apart, however the bytes come."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from hil.dialogue.dialogue import LONGEST_LINE, MOST_UNSOLICITED, Dialogue
from hil.dialogue.reply import Reply


def talk(sent: str, heard: bytes, *, verbose: bool = True) -> tuple[Reply | None, list[str]]:
    dialogue = Dialogue(announcements=("TARN READY",), verbose=verbose)
    dialogue.send(sent)
    dialogue.receive(heard)
    return dialogue.take_reply(), list(dialogue.unsolicited)


@pytest.mark.parametrize(
    ("sent", "heard", "lines", "result", "unsolicited"),
    [
        ("AT", b"\r\nOK\r\n", (), "OK", []),
        ("AT", b"AT\r\r\nOK\r\n", (), "OK", []),
        ("AT+CGMR", b"AT+CGMR\r\r\nTL4\r\n\r\nOK\r\n", ("TL4",), "OK", []),
        ("AT+CSQ", b"\r\n+CSQ: 22,99\r\n\r\nOK\r\n", ("+CSQ: 22,99",), "OK", []),
        ("AT+X", b"\r\n+CME ERROR: 16\r\n", (), "+CME ERROR: 16", []),
        ("AT+X", b"\r\n+CMS ERROR: 500\r\n", (), "+CMS ERROR: 500", []),
        ("ATH", b"\r\nNO CARRIER\r\n", (), "NO CARRIER", []),
        ("AT+CSQ", b"\r\n+CREG: 1\r\n\r\n+CSQ: 9,99\r\n\r\nOK\r\n", ("+CSQ: 9,99",), "OK", ["+CREG: 1"]),
        ("AT+CREG?", b"\r\n+CREG: 1\r\n\r\n+CREG: 1,1\r\n\r\nOK\r\n", ("+CREG: 1,1",), "OK", ["+CREG: 1"]),
        (
            "AT+CEREG?",
            b'\r\n+CEREG: 1,"0B2C","01A2B301",7\r\n\r\n+CEREG: 2,1,"0B2C","01A2B301",7\r\n\r\nOK\r\n',
            ('+CEREG: 2,1,"0B2C","01A2B301",7',),
            "OK",
            ['+CEREG: 1,"0B2C","01A2B301",7'],
        ),
        ("AT+CREG=?", b"\r\n+CREG: (0-3)\r\n\r\nOK\r\n", ("+CREG: (0-3)",), "OK", []),
        ("ATI", b"\r\nTARN READY\r\n\r\nTarnworks\r\n\r\nOK\r\n", ("Tarnworks",), "OK", ["TARN READY"]),
        ("ATI", b"\r\nRING\r\n\r\nOK\r\n", (), "OK", ["RING"]),
        # Whole lines only: OK inside a text is no result.
        ("AT+CGMM", b"\r\nOKAPI\r\nNOT OK\r\n\r\nOK\r\n", ("OKAPI", "NOT OK"), "OK", []),
        ("AT*HEAT?", b"\r\n*HEAT: 25\r\n\r\nOK\r\n", ("*HEAT: 25",), "OK", []),
        (
            "AT+CSQ;+CREG?",
            b"\r\n+CSQ: 1,99\r\n\r\n+CREG: 0,1\r\n\r\nOK\r\n",
            ("+CSQ: 1,99", "+CREG: 0,1"),
            "OK",
            [],
        ),
    ],
)
def test_replies_are_told_from_unsolicited_lines(
    sent: str, heard: bytes, lines: tuple[str, ...], result: str, unsolicited: list[str]
) -> None:
    assert talk(sent, heard) == (Reply(lines=lines, result=result), unsolicited)


@pytest.mark.parametrize(
    ("heard", "result"), [(b"0\r", "OK"), (b"4\r", "ERROR"), (b"3\r", "NO CARRIER"), (b"6\r", "NO DIALTONE")]
)
def test_numeric_results_count_under_v0(heard: bytes, result: str) -> None:
    assert talk("AT", heard, verbose=False)[0] == Reply(lines=(), result=result)


def test_a_number_is_information_under_v1() -> None:
    assert talk("ATS0?", b"\r\n0\r\n\r\nOK\r\n")[0] == Reply(lines=("0",), result="OK")


def test_between_commands_everything_is_unsolicited() -> None:
    dialogue = Dialogue()
    dialogue.receive(b"\r\n+CREG: 2\r\n\r\nOK\r\n")

    assert list(dialogue.unsolicited) == ["+CREG: 2", "OK"]
    assert dialogue.take_reply() is None


def test_a_late_answer_is_not_credited_to_the_next_command_once_it_was_drained() -> None:
    dialogue = Dialogue()
    dialogue.send("AT+COPS?")
    dialogue.abandon()
    dialogue.receive(b"\r\n+COPS: 0\r\n\r\nOK\r\n")
    dialogue.send("AT+CSQ")
    dialogue.receive(b"\r\n+CSQ: 7,99\r\n\r\nOK\r\n")

    assert dialogue.take_reply() == Reply(lines=("+CSQ: 7,99",), result="OK")


def test_an_unfinished_reply_is_shown_to_whoever_looks_for_a_cause() -> None:
    dialogue = Dialogue()
    dialogue.send("AT+CGMR")
    dialogue.receive(b"\r\nTL4\r\n\r\nO")

    assert dialogue.is_waiting
    assert dialogue.heard == b"TL4O"


def test_floods_are_bounded() -> None:
    dialogue = Dialogue()
    dialogue.receive(b"$GPGGA\r\n" * (MOST_UNSOLICITED + 10))
    dialogue.receive(b"x" * (LONGEST_LINE + 100))
    dialogue.receive(b"y" * 100)

    assert len(dialogue.unsolicited) == MOST_UNSOLICITED
    assert len(dialogue.heard) == LONGEST_LINE


def test_reply_values_and_error_codes() -> None:
    reply = Reply(lines=("+CSQ: 7,99",), result="OK")

    assert reply.value("+CSQ") == "7,99"
    assert Reply(lines=(), result="+CME ERROR: 16").error_code == 16
    assert Reply(lines=(), result="ERROR").error_code is None
    with pytest.raises(LookupError, match="no line begins"):
        reply.value("+CREG")


STREAM = b"".join(
    (
        b"AT+CREG?\r",
        *(
            b"\r\n" + line + b"\r\n"
            for line in (b"TARN READY", b"+CREG: 1", b"+CREG: 1,5", b"+CEREG: 5", b"OK", b"+CREG: 2")
        ),
    )
)


@given(st.lists(st.integers(1, 20), max_size=60))
def test_any_slicing_gives_the_same_outcome(sizes: list[int]) -> None:
    dialogue = Dialogue(announcements=("TARN READY",))
    dialogue.send("AT+CREG?")
    position = 0
    for size in sizes:
        dialogue.receive(STREAM[position : position + size])
        position += size
    dialogue.receive(STREAM[position:])

    assert dialogue.take_reply() == Reply(lines=("+CREG: 1,5",), result="OK")
    assert list(dialogue.unsolicited) == ["TARN READY", "+CREG: 1", "+CEREG: 5", "+CREG: 2"]


@given(st.binary(max_size=400))
def test_noise_never_raises(noise: bytes) -> None:
    dialogue = Dialogue()
    dialogue.send("AT")
    dialogue.receive(noise)
    dialogue.receive(b"\r\nOK\r\n")

    assert dialogue.take_reply() is not None


WHOLE = b"AT+CGMR;+CSQ\r\r\nTL4-1.4.2\r\n\r\n+CSQ: 22,99\r\n\r\nOK\r\n"
REPORT = b"\r\n+CIEV: 1,3\r\n"


@pytest.mark.parametrize("reports", [1, 2])
@pytest.mark.parametrize("place", range(len(WHOLE)))
def test_a_reply_is_put_together_wherever_unsolicited_lines_cut_it(place: int, reports: int) -> None:
    heard = WHOLE[:place] + REPORT * reports + WHOLE[place:]
    for size in (1, len(heard)):
        dialogue = Dialogue()
        dialogue.send("AT+CGMR;+CSQ")
        for start in range(0, len(heard), size):
            dialogue.receive(heard[start : start + size])

        assert dialogue.take_reply() == Reply(lines=("TL4-1.4.2", "+CSQ: 22,99"), result="OK")
        assert list(dialogue.unsolicited) == ["+CIEV: 1,3"] * reports


def test_lines_of_one_information_text_stay_apart() -> None:
    dialogue = Dialogue()
    dialogue.send("ATI")
    dialogue.receive(b"\r\nTarnworks\r\nTARN-L4\r\n\r\nOK\r\n")

    assert dialogue.take_reply() == Reply(lines=("Tarnworks", "TARN-L4"), result="OK")


def test_half_a_line_is_shown_to_whoever_looks_for_a_cause() -> None:
    dialogue = Dialogue()
    dialogue.send("AT+CGMR")
    dialogue.receive(b"\r\nTL4-1\r\n+CIEV: 1,3\r\n")

    assert dialogue.heard == b"TL4-1"


@pytest.mark.parametrize(
    "handed_out",
    [
        ("+CMT: ,24", "07916407058099F9040B916407950303F100008921222140140004D4E2940A"),
        ('+CMT: "+447700900200",,"26/01/15,06:00:00+00"', "OK"),
        ("+CDS: 25", "0006D60B911326880736F4111011719551401110117195714000"),
    ],
    ids=["octets", "text", "report"],
)
@pytest.mark.parametrize("is_asked", [False, True])
def test_a_message_that_is_handed_out_keeps_its_second_line(
    handed_out: tuple[str, str], is_asked: bool
) -> None:
    heard = f"\r\n{handed_out[0]}\r\n{handed_out[1]}\r\n".encode()
    for size in (1, 7, len(heard)):
        dialogue = Dialogue()
        if is_asked:
            dialogue.send("AT+CGMR")
        whole = heard + (b"\r\nTL4-1.4.2\r\n\r\nOK\r\n" if is_asked else b"")
        for start in range(0, len(whole), size):
            dialogue.receive(whole[start : start + size])

        assert tuple(dialogue.unsolicited) == handed_out
        reply = Reply(lines=("TL4-1.4.2",), result="OK") if is_asked else None
        assert dialogue.take_reply() == reply


def test_a_message_without_text_takes_no_line_of_the_reply() -> None:
    dialogue = Dialogue()
    dialogue.send("AT")
    dialogue.receive(b'\r\n+CMT: "1",,"26/01/15,06:00:00+00"\r\n\r\n\r\nOK\r\n')

    assert dialogue.take_reply() == Reply(lines=(), result="OK")


def test_a_report_in_text_has_one_line() -> None:
    dialogue = Dialogue()
    dialogue.send("AT")
    dialogue.receive(b'\r\n+CDS: 6,1,"1",129,"26/01/15,06:00:00+00","26/01/15,06:00:00+00",0\r\n\r\nOK\r\n')

    assert dialogue.take_reply() == Reply(lines=(), result="OK")


@pytest.mark.parametrize("prompt", [b"\r\n> ", b"\r\n>", b"> "])
def test_a_prompt_is_seen_once_and_the_echo_of_the_message_is_no_part_of_the_reply(prompt: bytes) -> None:
    dialogue = Dialogue()
    dialogue.send("AT+CMGS=14")
    dialogue.receive(b"AT+CMGS=14\r")
    assert not dialogue.take_prompt()
    for place in range(len(prompt)):
        dialogue.receive(prompt[place : place + 1])
    assert dialogue.take_prompt()
    assert not dialogue.take_prompt()
    assert dialogue.send_message("0001") == b"0001\x1a"
    dialogue.receive(b"0001\r\n+CMGS: 7\r\n\r\nOK\r\n")

    assert dialogue.take_reply() == Reply(lines=("+CMGS: 7",), result="OK")


def test_what_only_looks_like_a_prompt_is_none() -> None:
    dialogue = Dialogue()
    dialogue.receive(b"\r\n> ")
    assert not dialogue.take_prompt()  # nobody has asked
    dialogue.send("AT+CMGR=1")
    dialogue.receive(b"\r\n> 4.2 m")

    assert not dialogue.take_prompt()
