"""Every way round a guard that we could think of is closed, and what stands next to it is let through."""

from __future__ import annotations

import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hil.bench.guards.ledger import Ledger
from hil.bench.guards.numbers import EMERGENCY
from hil.bench.guards.permits import Permits
from hil.bench.guards.rules import RuleBook
from hil.errors import GuardRefusedError
from simulator.at.grammar import Bare, Command, Dialect, Form, parse
from simulator.at.reader import CommandLine, LineReader, RepeatLine
from simulator.module.at_quirks import AtQuirks

from .conftest import BUDGETS, LISTED, Guarded, MakeGuarded

TO = LISTED.encode()
# A SUBMIT to +447700900123 and the same to +447700900999, "hellohello" (layout: 3GPP TS 23.040 9.2.2.2).
PDU = b"0011000C91447700091032 0000AA0AE8329BFD4697D9EC37".replace(b" ", b"")
PDU_ELSEWHERE = b"0011000C91447700099099 0000AA0AE8329BFD4697D9EC37".replace(b" ", b"")
LENGTH = len(PDU) // 2 - 1


def refused(guarded: Guarded, *pieces: bytes, by: str | None = None) -> bytes:
    """What reached the module of something that has to be refused."""
    reached: list[bytes] = []
    with pytest.raises(GuardRefusedError) as caught:
        reached.extend(ready for piece in pieces for ready in guarded.guard.pass_on(piece))
    assert by is None or caught.value.guard == by
    assert caught.value.reason
    return b"".join(reached)


CALLS = [
    b"ATD112;\r",
    b"ATD112\r",
    b"atd911;\r",
    b"AT D 1 1 2 ;\r",
    b"ATDT112;\r",
    b"ATD+112;\r",
    b"ATD1-1-2;\r",
    b"ATD112,,,5;\r",
    b"ATD112I;\r",
    b"ATD112Ig;\r",
    b'ATD"112";\r',
    b"ATE0V1D112;\r",
    b"ATE0;D112;\r",
    b"AT+CGMM;D112;\r",
    b"AT+CGMM; +CSQ ;d 112;\r",
    b"ATS0=0D112;\r",
    b"AT&FD112;\r",
    b'AT+CSCS="IRA";D112;\r',
    b'AT+CSCS="IRA;D112;\r',
    b"ATX9D112X\x08;\r",
    b"ATD113\x082;\r",
    b"ATE0X\x08D112;\r",
    b"A\x00T\x00D\x00112;\r",
    b"garbage ATD112;\r",
    b"AATD112;\r",
    b"A TD112;\r",
    b"AT?D112;\r",
    b"AT+XATD112;\r",
    b"AT+X=ATE0D112;\r",
    b"AT+X=ATI0 B5 D112;\r",
    b"ATATD112;\r",
    bytes(byte | 0x80 for byte in b"ATD112;\r"),
    b"A\xd4D\xb112;\r",
    b"ATD112;\x8d",
    b"AT\nD112;\r",
    b"AT+CECALL=2\r",
    b"AT;" + b"E0" * 600 + b"D112;\r",
    *(f"ATD{number};\r".encode() for number in sorted(EMERGENCY)),
]


@pytest.mark.parametrize("line", CALLS, ids=lambda line: repr(bytes(line[:24])))
def test_no_emergency_call_passes_whole_byte_by_byte_or_in_two_pieces(
    make_guarded: MakeGuarded, line: bytes
) -> None:
    for pieces in ([line], [bytes([byte]) for byte in line], [line[:4], line[4:]], [line[:-2], line[-2:]]):
        guarded = make_guarded()
        reached = refused(guarded, *pieces)

        assert b"112" not in reached
        assert not re.search(rb"[Dd]", reached.replace(b"ATS", b"")), reached
        assert ("refused" in [what for _, what, _ in guarded.notes]) is True


@pytest.mark.parametrize("number", sorted(EMERGENCY))
def test_an_emergency_number_is_named_as_such_and_no_list_can_allow_it(
    make_guarded: MakeGuarded, number: str
) -> None:
    guarded = make_guarded(numbers=[LISTED, number, f"+{number}"])

    refused(guarded, f"ATD{number};\r".encode(), by="emergency")
    refused(guarded, f"ATD+{number};\r".encode(), by="emergency")
    guarded.ask(b"AT+CMGF=1\r")
    refused(guarded, f'AT+CMGS="{number}"\r'.encode(), by="emergency")


ELSEWHERE = [
    b"ATD+447700900999;\r",
    b"ATD07700900123;\r",
    b"ATD>1;\r",
    b"ATD>SM1;\r",
    b'ATD>"Ashbeck";\r',
    b"ATDL\r",
    b"ATDL;\r",
    b"ATDS=1\r",
    b"ATD;\r",
    b"ATD\r",
    b"ATD*21*+447700900123#;\r",
    b"ATD**05*12345678*1234*1234#;\r",
    b"ATD*#06#;\r",
    b'AT+CKPD="112S"\r',
    b'AT+CTFR="+447700900999"\r',
    b'AT+CCFC=0,3,"+447700900999",145\r',
    b"AT+CHLD=4*+447700900999\r",
    b'AT+CUSD=1,"*100#",15\r',
    b"AT+CMUX=0\r",
    b"AT+CMSS=1\r",
    b'AT+CMSS=1,"+447700900999"\r',
]


@pytest.mark.parametrize("line", ELSEWHERE, ids=repr)
def test_nobody_is_reached_whom_the_bench_file_does_not_list(guarded: Guarded, line: bytes) -> None:
    assert refused(guarded, line) == b""


CARD = [
    b'AT+CPIN="12345678","1234"\r',
    b"AT+CPIN=12345678,1234\r",
    b'at+cpin = "12345678" , "1234"\r',
    b'AT+CGMM;+CPIN="12345678","1234"\r',
    b'AT+CPWD="SC","1234","4321"\r',
    b'AT+CLCK="FD",1,"1234"\r',
    b'AT+CLCK="PN",1\r',
    b'AT+CSIM=26,"0020000108313233"\r',
    b'AT+CSIM=26,"002C000110"\r',
    b'AT+CRSM=214,28542,0,0,3,"FFFFFF"\r',
]


@pytest.mark.parametrize("line", CARD, ids=repr)
def test_no_puk_is_entered_and_no_lock_changed(guarded: Guarded, line: bytes) -> None:
    guarded.ask(b"AT+CPINR\r", b"\r\n+CPINR: SIM PIN,3,3\r\n\r\nOK\r\n")

    assert refused(guarded, line, by="card") == b""


NEIGHBOURS = [
    b"AT\r",
    b"AT\r\n",
    b"ATE0\r",
    b"AT&F\r",
    b"AT&D2&C1\r",
    b"ATD+447700900123;\r",
    b"ATD+44 7700 900123;\r",
    b"ATD*99#\r",
    b"ATD*99***1#\r",
    b"AT+CMGD=1\r",
    b"AT+CMGL=4\r",
    b"AT+CPMS?\r",
    b"AT+CPIN?\r",
    b"AT+CPIN=?\r",
    b"AT+CPINR\r",
    b'AT+CLCK="SC",2\r',
    b"AT+CFUN=4\r",
    b"AT+CFUN=1\r",
    b"AT+COPS?\r",
    b"AT+COPS=2\r",
    b"AT+CMGS=?\r",
    b"AT+CPBR=1,10\r",
    b'AT+CGDCONT=1,"IP","data.ashbeck.example"\r',
    b'AT+CGDCONT=1,"IP","matdata/a"\r',
    b'AT+CSCS="IRA\r',
    b"AT e 0 + c m e e = 1 ; + CMEE ?\r",
    b"AT\x08S4\x083?\r",
    b"AT+CGMX\x08M\r",
    b"AT\x00S\x023\x1b?\x7f\x08\r",
    bytes(byte | 0x80 for byte in b"ATS3?\r"),
    b"AT+NOSUCH\r",
    b"AT*STOP\r",
    b"ATA\r",
    b'AT+CSIM=14,"A0A40000023F00"\r',
    b"AT+CRSM=176,28423,0,0,9\r",
    b"x" * 499 + b"\r",
    b"AT" + b"E0" * 512 + b"\r",
]


@pytest.mark.parametrize("line", NEIGHBOURS, ids=lambda line: repr(bytes(line[:40])))
def test_what_stands_next_to_it_is_let_through(make_guarded: MakeGuarded, line: bytes) -> None:
    for pieces in ([line], [bytes([byte]) for byte in line]):
        assert make_guarded().send(*pieces) == line


def test_a_line_that_is_not_watched_goes_on_character_by_character(guarded: Guarded) -> None:
    assert [guarded.send(one) for one in (b"a", b"T", b" ", b"i\x08", b"E", b"0", b"\r")] == [
        *(b"a", b"T", b" ", b"i\x08", b"E", b"0", b"\r")
    ]


def test_a_line_that_may_become_a_call_is_held_back_and_goes_on_whole(guarded: Guarded) -> None:
    assert guarded.send(b"ATE0") == b"ATE0"
    assert guarded.send(b"D+4477") == b""
    assert guarded.send(b"00900123;") == b""
    assert guarded.send(b"\r") == b"D+447700900123;\r"


def test_lines_before_a_refused_one_pass_and_those_after_it_do_not(guarded: Guarded) -> None:
    assert refused(guarded, b"AT+CGMM\rATD112;\rAT+CGMR\r") == b"AT+CGMM\r"
    assert guarded.guard.left_over() == b""
    assert guarded.send(b"AT\r") == b"AT\r"


def test_what_the_module_has_of_a_refused_line_is_ended_by_itself(guarded: Guarded) -> None:
    assert guarded.send(b"AT+CGMM;") == b"AT+CGMM;"
    assert refused(guarded, b"D112;\r") == b""
    assert guarded.guard.left_over() == b"\r"
    assert guarded.send(b"AT\r") == b"AT\r"


def test_a_repeat_of_a_call_is_judged_again_and_one_of_an_unknown_line_is_refused(
    make_guarded: MakeGuarded,
) -> None:
    guarded = make_guarded(budgets={"calls": 1, "messages": 1, "attaches": 1})
    refused(guarded, b"A/", by="commands")
    refused(guarded, b"a/", by="commands")
    guarded.send(b"ATD+447700900123;\r")

    refused(guarded, b"A/", by="budget")
    refused(guarded, b"a", b"/", by="budget")
    refused(guarded, b"\xc1\xaf", by="budget")
    refused(guarded, b"Ax\x08/", by="budget")
    guarded.send(b"AT\r")
    assert guarded.send(b"A/") == b"A/"


def test_a_slash_within_a_line_is_no_repeat(make_guarded: MakeGuarded) -> None:
    guarded = make_guarded(budgets={"calls": 1, "messages": 1, "attaches": 1})
    guarded.send(b"ATD+447700900123;\r")

    line = b'AT+CGDCONT=1,"IP","a/b"\r'
    assert guarded.send(line) == line


@pytest.mark.parametrize("set_it", [b"ATS3=33\r", b"ats03 = 33\r", b"AT+CGMM;S3=33\r", b"ATE0S3=33\r"])
def test_another_terminator_is_followed(guarded: Guarded, set_it: bytes) -> None:
    guarded.ask(set_it)

    refused(guarded, b"ATD112;!", by="emergency")
    guarded.guard.left_over()
    assert guarded.send(b"AT!") == b"AT!"
    assert guarded.send(b"ATS3=13!") == b"ATS3=13!"
    refused(guarded, b"ATD112;\r", by="emergency")


def test_another_editing_character_is_followed(guarded: Guarded) -> None:
    guarded.ask(b"ATS5=35\r")

    refused(guarded, b"ATXY##D112;\r", by="emergency")
    refused(guarded, b"ATD113#2;\r")
    refused(guarded, b"ATD1123\x08;\r")


def test_the_start_of_a_line_before_the_port_was_opened_does_not_hide_a_call(guarded: Guarded) -> None:
    guarded.send(b"AT+X")
    guarded.guard.begin_anew()
    refused(guarded, b"ATD112;\r", by="emergency")
    guarded.guard.left_over()
    guarded.send(b"AT+X")

    # The module may have begun anew without the guard knowing.
    refused(guarded, b"ATD112;\r", by="emergency")


# -- the card ----------------------------------------------------------------------------------


def test_a_pin_needs_two_tries_known_to_be_left(guarded: Guarded) -> None:
    guarded.ask(b"AT+CPINR\r", b"\r\n+CPINR: SIM PIN,2,3\r\n\r\nOK\r\n")
    assert guarded.ask(b'AT+CPIN="1111"\r', b"\r\nERROR\r\n") == b'AT+CPIN="1111"\r'
    refused(guarded, b'AT+CPIN="1234"\r', by="card")
    guarded.guard.left_over()
    guarded.ask(b"AT+CPINR\r", b"\r\n+CPINR: SIM PIN,1,3\r\n\r\nOK\r\n")

    refused(guarded, b'AT+CPIN="1234"\r', by="card")


def test_two_entries_in_one_line_count_as_two(guarded: Guarded) -> None:
    guarded.ask(b"AT+CPINR\r", b"\r\n+CPINR: SIM PIN,2,3\r\n\r\nOK\r\n")

    refused(guarded, b'AT+CPIN="1111";+CPIN="1234"\r', by="card")


def test_with_tries_unknown_one_entry_a_run_is_allowed(guarded: Guarded) -> None:
    assert guarded.send(b'AT+CPIN="1234"\r') == b'AT+CPIN="1234"\r'
    refused(guarded, b'AT+CPIN="1234"\r', by="card")
    refused(guarded, b"A/", by="card")


def test_an_entry_that_was_not_accepted_is_remembered_by_the_next_run(make_guarded: MakeGuarded) -> None:
    make_guarded().ask(b'AT+CPIN="1111"\r', b"\r\n+CME ERROR: 16\r\n")
    later = make_guarded()

    refused(later, b'AT+CPIN="1234"\r', by="card")
    later.guard.left_over()
    later.ask(b"AT+CPINR\r", b"\r\n+CPINR: SIM PIN,2,3\r\n\r\nOK\r\n")
    assert later.ask(b'AT+CPIN="1234"\r') == b'AT+CPIN="1234"\r'
    assert make_guarded().send(b'AT+CPIN="1234"\r') == b'AT+CPIN="1234"\r'


def test_an_echo_or_a_lie_does_not_give_tries(guarded: Guarded) -> None:
    guarded.hears(b"\r\n+CPINR: SIM PIN,9,9\r\n")
    guarded.send(b'AT+CPIN="1111"\r')

    refused(guarded, b'AT+CPIN="1111"\r', by="card")


@pytest.mark.parametrize(
    "pieces",
    [
        [b'AT+CPINR;+X="\n+CPINR: SIM PIN,3"\r'],
        [b"AT+CPINR\r", b"\n+CPINR: SIM PIN,3\r"],
        [b"AT+CPINR\r\n+CPINR: SIM PIN,3\r"],
    ],
)
def test_an_echo_that_looks_like_an_answer_gives_no_tries(guarded: Guarded, pieces: list[bytes]) -> None:
    guarded.send(b'AT+CPIN="1111"\r')
    guarded.hears(b"\r\nERROR\r\n")
    guarded.send(*pieces)
    guarded.hears(b"".join(pieces))

    refused(guarded, b'AT+CPIN="1111"\r', by="card")


@pytest.mark.parametrize(
    "pieces", [[b'AT+CMGF=1;+X=" OK "\r'], [b"AT+CMGF=1\r", b"\nOK\n\r"], [b"AT+CMGF=1\r\nOK\n\r"]]
)
def test_an_echo_that_looks_like_a_result_gives_no_mode(guarded: Guarded, pieces: list[bytes]) -> None:
    guarded.send(*pieces)
    guarded.hears(b"".join(pieces))

    refused(guarded, b'AT+CMGS="+447700900123"\r', by="numbers")


@pytest.mark.parametrize(
    "pieces",
    [
        [b'AT+CMGS="+447700900123"\r', b"\n> "],
        [b'AT+CMGS="+447700900123"\r\n> '],
        [b'ATX"\r\n> ";+CMGS="+447700900123"\r'],
    ],
)
def test_an_echo_that_looks_like_a_prompt_opens_no_way(guarded: Guarded, pieces: list[bytes]) -> None:
    guarded.ask(b"AT+CMGF=1\r")
    guarded.send(*pieces)
    guarded.hears(b"".join(pieces))

    refused(guarded, b"ATD112;\r", by="emergency")


def test_an_echo_of_connect_opens_no_way(guarded: Guarded) -> None:
    guarded.ask(b"CONNECT\r", b"CONNECT\r")
    guarded.send(b"ATD*99#\r")
    guarded.hears(b"\r\nCONNECT\r\n")

    assert guarded.send(b"ATD112;") == b""
    refused(guarded, b"\r", by="emergency")
    assert guarded.guard.left_over() == b""


# -- messages ----------------------------------------------------------------------------------


def test_a_text_goes_to_a_listed_number_only(guarded: Guarded) -> None:
    guarded.ask(b"AT+CMGF=1\r")
    assert guarded.send(b'AT+CMGS="+447700900123"\r\n') == b'AT+CMGS="+447700900123"\r\n'
    guarded.hears(b'AT+CMGS="+447700900123"\r\r\n> ')

    assert guarded.send(b"level ATD112;\r 2.31 m\x1a") == b"level ATD112;\r 2.31 m\x1a"
    guarded.hears(b"\r\n+CMGS: 1\r\n\r\nOK\r\n")
    assert guarded.send(b'AT+CMGS="447700900123",145\r') == b'AT+CMGS="447700900123",145\r'
    guarded.hears(b"\r\n> ")
    guarded.send(b"\x1b")
    guarded.hears(b"\r\nOK\r\n")
    for number in (b'"+447700900999"', b'"07700900123"', b'"447700900123",129', b"+447700900999", b'""', b""):
        refused(guarded, b"AT+CMGS=" + number + b"\r", by="numbers")
        guarded.guard.left_over()
    assert guarded.send(b'AT+CMGS="002B003400340037003700300030003900300030003100320033"\r')


def test_a_pdu_goes_to_a_listed_number_only(guarded: Guarded) -> None:
    guarded.ask(b"AT+CMGF=0\r")
    command = b"AT+CMGS=%d\r" % LENGTH
    assert guarded.send(command) == command
    guarded.hears(b"\r\n> ")
    assert guarded.send(PDU[:10]) == b""
    assert guarded.send(PDU[10:] + b"\x1a") == PDU + b"\x1a"
    guarded.hears(b"\r\n+CMGS: 1\r\n\r\nOK\r\n")
    guarded.send(command)
    guarded.hears(b"\r\n> ")

    assert refused(guarded, PDU_ELSEWHERE + b"\x1a", by="numbers") == b""
    assert guarded.guard.left_over() == b"\x1b"


@pytest.mark.parametrize(
    "pdu",
    [
        *(b"", b"00", b"X" + PDU[1:], b"XY" + PDU[2:], PDU[1:], PDU[:16], PDU[:8] + b"G" + PDU[8:]),
        *(PDU.replace(b"0C91", b"0CD0"), b"00FF" + PDU[4:]),
    ],
    ids=repr,
)
def test_a_pdu_whose_receiver_cannot_be_read_is_not_sent(guarded: Guarded, pdu: bytes) -> None:
    guarded.ask(b"AT+CMGF=0\r")
    guarded.send(b"AT+CMGS=%d\r" % LENGTH)
    guarded.hears(b"\r\n> ")

    assert refused(guarded, pdu + b"\x1a", by="numbers") == b""


@pytest.mark.parametrize("pdu", [PDU[:-2], PDU + b"00", PDU[:-1], PDU[:31] + b"G" + PDU[32:]], ids=repr)
def test_a_pdu_that_is_damaged_behind_a_receiver_who_is_listed_is_the_module_s_to_refuse(
    guarded: Guarded, pdu: bytes
) -> None:
    guarded.ask(b"AT+CMGF=0\r")
    guarded.send(b"AT+CMGS=%d\r" % LENGTH)
    guarded.hears(b"\r\n> ")

    assert guarded.send(pdu + b"\x1a") == pdu + b"\x1a"


def test_a_length_that_does_not_fit_does_not_hide_another_receiver(guarded: Guarded) -> None:
    inner = PDU_ELSEWHERE[2:]  # what a module sees that counts the announced octets from the end
    guarded.ask(b"AT+CMGF=0\r")
    guarded.send(b"AT+CMGS=%d\r" % (len(inner) // 2))
    guarded.hears(b"\r\n> ")

    assert refused(guarded, PDU[:-24] + inner + b"\x1a", by="numbers") == b""


def test_a_message_without_a_known_mode_is_refused(guarded: Guarded) -> None:
    refused(guarded, b'AT+CMGS="+447700900123"\r', by="numbers")
    guarded.guard.left_over()
    guarded.ask(b"AT+CMGF=1\r", b"\r\nERROR\r\n")
    refused(guarded, b'AT+CMGS="+447700900123"\r', by="numbers")
    guarded.guard.left_over()
    guarded.ask(b"AT+CMGF=1\r")
    refused(guarded, b"AT+CMGS=%d\r" % LENGTH, by="numbers")
    guarded.guard.left_over()
    guarded.ask(b"ATZ\r")
    refused(guarded, b'AT+CMGS="+447700900123"\r', by="numbers")


def test_a_call_behind_a_message_that_the_module_has_refused_is_a_call(guarded: Guarded) -> None:
    guarded.ask(b"AT+CMGF=1\r")
    guarded.send(b'AT+CMGS="+447700900123"\r')

    # No prompt yet: the module may have refused the command and read this as a line.
    refused(guarded, b"ATD112;\r", by="emergency")
    guarded.guard.left_over()
    guarded.hears(b"\r\nERROR\r\n")
    refused(guarded, b"ATD112;\r", by="emergency")


def test_a_call_cannot_hide_behind_the_end_of_a_message_that_was_not_asked_for(guarded: Guarded) -> None:
    guarded.ask(b"AT+CMGF=1\r")
    guarded.send(b'AT+CMGS="+447700900123"\r')

    refused(guarded, b"ATD112;\x1a", by="commands")


def test_a_result_within_an_echoed_text_does_not_open_a_way(guarded: Guarded) -> None:
    guarded.ask(b"AT+CMGF=0\r")
    guarded.send(b"AT+CMGS=%d\r" % LENGTH)
    guarded.hears(b"\r\n> ")
    guarded.hears(b"\r\nERROR\r\n")

    refused(guarded, PDU_ELSEWHERE + b"\x1a", by="numbers")


def test_after_a_text_lines_are_lines_again(guarded: Guarded) -> None:
    guarded.ask(b"AT+CMGF=1\r")
    for end in (b"\x1a", b"\x1b"):
        guarded.send(b'AT+CMGS="+447700900123"\r')
        guarded.hears(b"\r\n> ")
        guarded.send(b"text" + end)
        refused(guarded, b"ATD112;\r", by="emergency")
        guarded.guard.left_over()
        guarded.hears(b"\r\nOK\r\n")


def test_a_stored_text_needs_no_number_and_a_stored_one_is_sent_only_where_it_is_named(
    guarded: Guarded,
) -> None:
    guarded.ask(b"AT+CMGF=1\r")
    guarded.send(b"AT+CMGW\r")
    guarded.hears(b"\r\n> ")
    guarded.send(b"text\x1a")
    guarded.hears(b"\r\n+CMGW: 1\r\n\r\nOK\r\n")

    refused(guarded, b"AT+CMSS=1\r", by="numbers")
    guarded.guard.left_over()
    assert guarded.send(b'AT+CMSS=1,"+447700900123"\r')


# -- transmission, budgets, own commands --------------------------------------------------------


@pytest.mark.parametrize(
    "line",
    [
        b"AT+CFUN=1\r",
        b"AT+CFUN=4,1\r",
        b"AT+COPS=0\r",
        b"AT+CGATT=1\r",
        b"ATD*99#\r",
        b"ATA\r",
        b"ATD+447700900123;\r",
        b"AT*RADIO=1\r",
    ],
)
def test_nothing_transmits_while_the_bench_file_does_not_state_the_antenna(
    make_guarded: MakeGuarded, line: bytes
) -> None:
    guarded = make_guarded(antenna=None, effects={"*RADIO": "radio"})

    refused(guarded, line, by="antenna")
    assert guarded.send(b"AT+CFUN=4\r", b"AT+CFUN?\r") == b"AT+CFUN=4\rAT+CFUN?\r"
    assert make_guarded(effects={"*RADIO": "radio"}).send(line) == line


@pytest.mark.parametrize(
    ("budget", "line"),
    [("attaches", b"AT+CFUN=1\r"), ("attaches", b"AT+COPS=0\r"), ("calls", b"ATD+447700900123;\r")],
)
def test_a_day_s_budget_is_kept_across_runs(make_guarded: MakeGuarded, budget: str, line: bytes) -> None:
    budgets = {"attaches": 2, "calls": 2, "messages": 2}
    for _ in range(2):
        make_guarded(budgets=budgets).send(line)

    guarded = make_guarded(budgets=budgets)
    refused(guarded, line, by="budget")
    assert guarded.notes[-1][2]["action"].startswith(f"{budget} today: 2 of 2")


def test_commands_that_the_bench_file_refuses_never_pass(make_guarded: MakeGuarded) -> None:
    guarded = make_guarded(refused=("*HEAT", "AT+CSQ"))

    refused(guarded, b"AT*HEAT?\r", by="commands")
    refused(guarded, b"ATE0;+csq\r", by="commands")


def test_what_was_allowed_is_recorded_with_its_guard(guarded: Guarded) -> None:
    guarded.send(b"ATD+447700900123;\r")

    assert ("guard/budget", "allowed", {"action": "calls", "used": 1, "allowed": 100}) in guarded.notes


# -- whatever is thrown at it, against the simulated module's own reader ------------------------------

FRAGMENTS = [
    *(b"AT", b"at", b"A", b"T", b"A/", b"D", b"d112", b"112;", b"D112;", b"+CPIN=", b'"1234"', b",", b"\r"),
    *(b"\x08", b"\n", b" ", b"\x00", b"+CGMM", b"E0", b"S3=33", b"S5=35", b"!", b"#", b'"', b"=", b"?", b"x"),
    *(b'+CMGS="+447700900999"', b"\x1a", b"\x1b", b"D+447700900999;", b"DL", b"D>1;", b"&F", b"S3=13"),
    *(b"\xc1", b"\xd4", b"\xc4", b"\xaf", b"\x8d", b";", b"V1", b"+CMGF=1"),
]
MODULES = [
    AtQuirks(),
    AtQuirks(no_editing=True),
    AtQuirks(eight_bits=True),
    AtQuirks(closes_quotes=True),
    AtQuirks(fixed_format=True),
    AtQuirks(spaces_count=True),
]


class Module:
    """The simulated module's own reader and grammar: what it would carry out of the bytes that reach it."""

    def __init__(self, quirks: AtQuirks) -> None:
        self._reader = LineReader(limit=1024, quirks=quirks)
        self._dialect = Dialect(closes_quotes=quirks.closes_quotes, spaces_count=quirks.spaces_count)
        self._format = {"3": 13, "5": 8}
        self._last = ""
        self.dialled: list[str] = []
        self.entries = 0

    def take(self, data: bytes) -> None:
        position = 0
        while position < len(data):
            position, line = self._reader.take(data, position)
            if isinstance(line, CommandLine):
                self._last = line.body
            if isinstance(line, CommandLine | RepeatLine):
                for command in parse(self._last, self._dialect):
                    if isinstance(command, Command):
                        self._carry_out(command)

    def _carry_out(self, command: Command) -> None:
        if command.name == "D" or (command.name in ("+CMGS", "+CMSS") and command.form is Form.SET):
            self.dialled.append(self._last)
        elif command.name == "+CPIN" and command.form is Form.SET:
            self.entries += 1
            if len(command.values) > 1:
                self.dialled.append(self._last)
        elif command.name == "S" and command.form is Form.SET:
            number, value = (one.text if isinstance(one, Bare) else "" for one in command.values)
            if number in self._format and value and int(value) < 128:
                self._format[number] = int(value)
                self._reader.set_format(terminator=self._format["3"], editor=self._format["5"])


@settings(max_examples=150, deadline=None)
@given(
    pieces=st.lists(st.lists(st.sampled_from(FRAGMENTS), min_size=1, max_size=6).map(b"".join), max_size=8),
    quirks=st.sampled_from(MODULES),
)
def test_nothing_that_passes_is_a_call_or_a_message_to_the_module(
    tmp_path_factory: pytest.TempPathFactory, pieces: list[bytes], quirks: AtQuirks
) -> None:
    ledger = Ledger(tmp_path_factory.mktemp("ledger") / "ledger.json")
    permits = Permits(numbers=[LISTED], antenna="load", budgets=BUDGETS, ledger=ledger)
    guarded, module = Guarded(permits, RuleBook()), Module(quirks)
    for piece in pieces:
        try:
            for ready in guarded.guard.pass_on(piece):
                module.take(ready)
        except GuardRefusedError:
            module.take(guarded.guard.left_over())

    assert module.dialled == []
    assert module.entries <= 1
