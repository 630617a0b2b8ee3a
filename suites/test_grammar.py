"""Command lines as clients may write them: prefix, concatenation, editing, limits (ITU-T V.250 5)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.measure import Measure
    from hil.verbatim import Verbatim

pytestmark = pytest.mark.needs("header:power_key", "port:at")

OK, ERROR = b"\r\nOK\r\n", b"\r\nERROR\r\n"
# A name that no standard has.
_UNKNOWN = b"+NOSUCH"
# How soon a module says that it does not know a command (common practice, no source).
_AT_ONCE_S = 1.0
# V.250 5.6.1: what comes this soon does not abort.
_GUARD_S = 0.125
_SLOW_S = 1.0


def _said(*texts: str) -> bytes:
    """Information texts under V1 (V.250 table 3)."""
    return b"".join(b"\r\n" + text.encode() + b"\r\n" for text in texts)


def test_lines_are_known_by_their_prefix_in_either_case(verbatim: Verbatim) -> None:
    assert [verbatim.ask(line) for line in (b"AT\r", b"at\r")] == [OK, OK]
    assert verbatim.ask(b"E0\r") == b""
    assert verbatim.ask(b"xyzAT\r") == OK


def test_a_slash_repeats_the_last_line_without_a_terminator(verbatim: Verbatim) -> None:
    first = verbatim.ask(b"ATS3?\r")

    assert [verbatim.ask(line) for line in (b"A/", b"a/")] == [first, first]


def test_the_commands_of_a_line_are_done_in_turn_with_one_result(verbatim: Verbatim) -> None:
    line = b"ATE0V1S3?+CMEE=1;+CMEE?;S4?\r"

    assert verbatim.ask(line) == _said("013", "+CMEE: 1", "010") + OK


def test_an_error_ends_the_line_and_what_stood_before_it_is_done(verbatim: Verbatim) -> None:
    verbatim.ask(b"AT+CMEE=0\r")

    assert verbatim.ask(b"AT+CMEE=1;" + _UNKNOWN + b";+CMEE=2\r") == ERROR
    assert verbatim.ask(b"AT+CMEE?\r") == _said("+CMEE: 1") + OK


def test_an_unknown_command_is_refused_at_once(verbatim: Verbatim, bench: Bench, measure: Measure) -> None:
    allowed_s = _AT_ONCE_S + bench.profile.delays.reply_s.relied_on
    began_s = bench.clock.now_s()
    heard = verbatim.ask(b"AT" + _UNKNOWN + b"\r", silence_s=allowed_s)

    assert heard == ERROR
    measure("refusal and silence", bench.clock.now_s() - began_s, "s", high=2 * allowed_s)


def test_spaces_and_small_letters_make_no_difference(verbatim: Verbatim) -> None:
    assert verbatim.ask(b"AT e 0 + c m e e = 1 ; + CMEE ?\r") == _said("+CMEE: 1") + OK


def test_the_editing_character_takes_the_one_before_it_away(verbatim: Verbatim) -> None:
    assert verbatim.ask(b"AT\x08S4\x083?\r") == _said("013") + OK


def test_seven_bits_count_and_control_characters_do_not(verbatim: Verbatim) -> None:
    assert verbatim.ask(bytes(byte | 0x80 for byte in b"ATS3?\r")) == _said("013") + OK
    assert verbatim.ask(b"AT\x00S\x023\x1b?\x7f\x08\r") == _said("013") + OK


def test_a_line_may_be_as_long_as_the_profile_says_and_a_longer_one_is_one_error(
    verbatim: Verbatim, bench: Bench
) -> None:
    limit = bench.profile.at.line_limit
    longest = b"E0" * (limit // 2)

    assert verbatim.ask(b"AT" + longest + b"\r") == OK
    assert verbatim.ask(b"AT" + longest + b"E0\r") == ERROR
    assert verbatim.ask(b"AT\r") == OK


def test_strings_need_both_quotes_and_keep_what_stands_in_them(verbatim: Verbatim) -> None:
    assert verbatim.ask(b'AT+CSCS="IRA"\r') == OK
    assert verbatim.ask(b'AT+CSCS="IR;A";+CMEE=1\r') == ERROR
    assert verbatim.ask(b'AT+CSCS="IRA\r') == ERROR
    assert verbatim.ask(b"AT+CSCS?\r") == _said('+CSCS: "IRA"') + OK


def test_s_parameters_read_with_three_digits_and_keep_to_their_ranges(verbatim: Verbatim) -> None:
    assert verbatim.ask(b"ATS0=255S0?\r") == _said("255") + OK
    assert verbatim.ask(b"ATS0=256\r") == ERROR
    assert verbatim.ask(b"ATS0=7S0?\r") == _said("007") + OK


def test_another_terminator_counts_from_the_result_of_its_line_on(verbatim: Verbatim) -> None:
    # V.250 6.2.1: the result of the line that sets S3 already has it.
    assert verbatim.ask(b"ATS3=33\r") == b"!\nOK!\n"
    assert verbatim.ask(b"AT!") == b"!\nOK!\n"
    assert verbatim.ask(b"ATS3=13!") == OK


def test_a_value_that_is_not_allowed_is_refused_and_the_old_one_kept(verbatim: Verbatim) -> None:
    verbatim.ask(b"AT+CMEE=1\r")
    for wrong in (b"3", b"99999999999999999999", b"-1", b"x", b'"1"', b"1,1", b"1 1"):
        assert verbatim.ask(b"AT+CMEE=" + wrong + b"\r") == ERROR
        assert verbatim.ask(b"AT+CMEE?\r") == _said("+CMEE: 1") + OK


@pytest.mark.parametrize("command", [b"Z", b"&F"])
def test_the_defaults_come_back(verbatim: Verbatim, bench: Bench, command: bytes) -> None:
    settings = bench.profile.at
    verbatim.ask(b"ATX0+CMEE=2\r")
    verbatim.ask(b"AT" + command + b"\r")
    echo = b"ATE0\r" if settings.echo else b""

    assert verbatim.ask(b"ATE0\r") == echo + OK
    assert verbatim.ask(b"AT+CMEE?\r") == _said(f"+CMEE: {settings.error_level}") + OK


def test_a_character_ends_an_abortable_command_once_the_guard_time_is_over(
    verbatim: Verbatim, bench: Bench
) -> None:
    extensions = bench.profile.extensions
    names = (
        name
        for name, command in extensions.commands.items()
        if command.abortable and "action" in command.forms and command.delay_s.min > _SLOW_S
    )
    name = next(names, None)
    if name is None:
        pytest.skip(f"{bench.profile.name} has no command of its own that can be aborted")
    verbatim.send(f"AT{extensions.prefix}{name}\r\n".encode())
    bench.clock.wait(2 * _GUARD_S)
    early = verbatim.hear()
    after = verbatim.ask(b"x")

    assert early == b""
    assert after == ERROR
    assert verbatim.ask(b"AT\r") == OK
