"""Replies and results byte for byte, under every setting of their format (ITU-T V.250 5.7, TS 27.007 9)."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.verbatim import Verbatim

pytestmark = pytest.mark.needs("header:power_key", "port:at")

OK, ERROR = b"\r\nOK\r\n", b"\r\nERROR\r\n"
# V.250 table 1.
_NUMBERS = {"OK": "0", "ERROR": "4"}
# TS 27.007 9.2: what a card that waits for its PIN is answered with.
_PIN_REQUIRED = {1: "11", 2: "SIM PIN required"}


def _result(word: str, *, verbose: int, quiet: int) -> bytes:
    """V.250 table 3."""
    if quiet:
        return b""
    return f"\r\n{word}\r\n".encode() if verbose else f"{_NUMBERS[word]}\r".encode()


def _information(text: str, *, verbose: int) -> bytes:
    """V.250 table 3; sent under Q1 too (6.2.5)."""
    return (b"\r\n" if verbose else b"") + text.encode() + b"\r\n"


def test_results_have_their_bytes_under_every_v_q_x_and_e(verbatim: Verbatim) -> None:
    for verbose, quiet, level, echo in product((0, 1), (0, 1), range(5), (0, 1)):
        verbatim.ask(f"ATE{echo}V{verbose}X{level}Q{quiet}\r".encode())
        for line, word in ((b"AT\r", "OK"), (b"AT+NOSUCH\r", "ERROR")):
            expected = (line if echo else b"") + _result(word, verbose=verbose, quiet=quiet)
            assert verbatim.ask(line) == expected, f"{line!r} under E{echo}V{verbose}X{level}Q{quiet}"


def test_errors_of_the_equipment_have_their_bytes_under_every_cmee_v_and_q(
    verbatim: Verbatim, bench: Bench
) -> None:
    bench.clock.wait(bench.profile.delays.card_ready_s.relied_on)
    if verbatim.ask(b"AT+CPIN?\r") != b"\r\n+CPIN: SIM PIN\r\n" + OK:
        pytest.skip("the card does not wait for its PIN")
    for verbose, quiet, level in product((0, 1), (0, 1), (0, 1, 2)):
        verbatim.ask(f"ATV{verbose}Q{quiet}+CMEE={level}\r".encode())
        if level == 0 or quiet:
            expected = _result("ERROR", verbose=verbose, quiet=quiet)
        else:
            # TS 07.07 R98 9.2: V makes no difference to this result.
            expected = f"\r\n+CME ERROR: {_PIN_REQUIRED[level]}\r\n".encode()
        assert verbatim.ask(b"AT+CIMI\r") == expected, f"under V{verbose}Q{quiet} and +CMEE={level}"


def test_information_is_sent_under_q1_and_framed_as_v_says(verbatim: Verbatim, bench: Bench) -> None:
    revision = bench.profile.identity.revision
    for verbose, quiet in product((0, 1), (0, 1)):
        verbatim.ask(f"ATV{verbose}Q{quiet}\r".encode())
        expected = _information(revision, verbose=verbose) + _result("OK", verbose=verbose, quiet=quiet)
        assert verbatim.ask(b"AT+CGMR\r") == expected, f"under V{verbose}Q{quiet}"


def test_answers_begin_with_the_name_a_colon_and_a_space(verbatim: Verbatim) -> None:
    assert verbatim.ask(b"AT+CMEE=0;+CMEE?\r") == b"\r\n+CMEE: 0\r\n" + OK
    assert verbatim.ask(b"AT+CMEE=?\r") == b"\r\n+CMEE: (0-2)\r\n" + OK


def test_identification_is_bare_text(verbatim: Verbatim, bench: Bench) -> None:
    identity = bench.profile.identity
    heard = [verbatim.ask(f"AT+CG{name}\r".encode()) for name in ("MI", "MM", "MR")]

    assert heard == [
        b"\r\n" + text.encode() + b"\r\n" + OK
        for text in (identity.manufacturer, identity.model, identity.revision)
    ]


def test_the_echo_comes_character_by_character_as_it_was_sent(verbatim: Verbatim) -> None:
    verbatim.ask(b"ATE1\r")

    assert [verbatim.ask(one) for one in (b"a", b"T", b" ", b"i\x08", b"E", b"0")] == [
        b"a",
        b"T",
        b" ",
        b"i\x08",
        b"E",
        b"0",
    ]
    assert verbatim.ask(b"\r") == b"\r" + OK


def test_s3_and_s4_stand_in_every_format(verbatim: Verbatim) -> None:
    verbatim.ask(b"ATS4=45\r")

    assert verbatim.ask(b"ATS4?\r") == b"\r-045\r-\r-OK\r-"
    assert verbatim.ask(b"ATV0\r") == b"0\r"
    assert verbatim.ask(b"ATS4?\r") == b"045\r-0\r"
