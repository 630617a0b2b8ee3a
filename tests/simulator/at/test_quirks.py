"""Each quirk of the AT interface: what a module without it answers, and one with it."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.module.at_quirks import AtQuirks

OK, ERROR = b"\r\nOK\r\n", b"\r\nERROR\r\n"

# The quirk, what is sent first, what is sent then, and what comes without and with it.
DIFFERENCES = [
    ("prefix_in_capitals_only", b"", b"at\r", OK, b""),
    ("no_repeat", b"AT\r", b"A/", OK, b""),
    ("no_editing", b"", b"AT9\x08E\r", OK, ERROR),
    ("eight_bits", b"", b"AT\xc50\r", OK, ERROR),
    ("spaces_count", b"", b"AT E0\r", OK, ERROR),
    ("closes_quotes", b"", b'AT+CSCS="IRA\r', ERROR, OK),
    ("one_command_a_line", b"", b"ATE0V1\r", OK, ERROR),
    (
        "checks_line_first",
        b"AT+CMEE=1;+NOSUCH\r",
        b"AT+CMEE?\r",
        b"\r\n+CMEE: 1\r\n" + OK,
        b"\r\n+CMEE: 0\r\n" + OK,
    ),
    ("nearest_value", b"AT+CMEE=9\r", b"AT+CMEE?\r", b"\r\n+CMEE: 0\r\n" + OK, b"\r\n+CMEE: 2\r\n" + OK),
    ("echoes_lines", b"ATE1\r", b"AT", b"AT", b""),
    ("fixed_format", b"ATS4=33\r", b"AT\r", b"\r!OK\r!", OK),
    ("short_s_parameters", b"", b"ATS3?\r", b"\r\n013\r\n" + OK, b"\r\n13\r\n" + OK),
    ("no_space_after_colon", b"", b"AT+CMEE?\r", b"\r\n+CMEE: 0\r\n" + OK, b"\r\n+CMEE:0\r\n" + OK),
    ("numeric_with_line_feed", b"ATV0\r", b"AT\r", b"0\r", b"0\r\n"),
    (
        "cme_follows_verbose",
        b"ATV0+CMEE=1\r",
        b"AT+CIMI\r",
        b"\r\n+CME ERROR: 11\r\n",
        b"+CME ERROR: 11\r\n",
    ),
    ("cms_follows_error_level", b"", b"AT+CMGR=1\r", b"\r\n+CMS ERROR: 311\r\n", ERROR),
    ("quiet_hides_information", b"ATQ1\r", b"AT+CGMM\r", b"\r\nTARN-L4\r\n", b""),
    ("unsolicited_in_quiet", b"ATQ1+CMER=3,0,0,2\r", b"", b"", b"\r\n+CIEV: 1,1\r\n"),
]


@pytest.mark.parametrize("has_it", [False, True])
@pytest.mark.parametrize("row", DIFFERENCES, ids=lambda row: row[0])
def test_the_quirk_makes_the_difference(
    converse: Callable[..., Any], row: tuple[str, bytes, bytes, bytes, bytes], has_it: bool
) -> None:
    quirk, first, sent, without, with_it = row
    client = converse(module={"unit": {"at": {"quirks": {quirk: has_it}}}})
    client.later(2)
    client.port.receive(first)
    client.later(0.01)
    client.port.receive(sent)
    client.model.air.move(rsrp_dbm=-130)

    assert client.heard_bytes() == (with_it if has_it else without)


def test_every_quirk_is_shown() -> None:
    assert {row[0] for row in DIFFERENCES} == set(AtQuirks.model_fields)


def test_a_line_that_is_echoed_whole_is_echoed_whole(converse: Callable[..., Any]) -> None:
    client = converse(module={"unit": {"at": {"quirks": {"echoes_lines": True}}}})
    client("ATE1")
    for piece in (b"A", b"T", b"E", b"0"):
        client.port.receive(piece)
    before = client.heard_bytes()
    client.port.receive(b"\r")

    assert (before, client.heard_bytes()) == (b"", b"ATE0\r\r\nOK\r\n")
