"""The grammar of ITU-T V.250 (07/2003), clauses 5.2 to 5.6, beside what the model does with lines.

Every value here is from those clauses unless the line says otherwise.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.at.registry import Number
from simulator.edges.port_edges import MemoryEdges

OK, ERROR = b"\r\nOK\r\n", b"\r\nERROR\r\n"


def said(text: str) -> bytes:
    """Table 3, V1: <S3><S4><text><S3><S4>."""
    return f"\r\n{text}\r\n".encode()


class Port:
    """The AT port of a ready module, echo off."""

    def __init__(self, build: Callable[..., Any]) -> None:
        self.model = build(start={"module": "ready"})
        self.edge = MemoryEdges(self.model).by_role["at"]
        self.port = self.model.module.ports["at"]
        self.port.client_opened()
        self(b"ATE0\r")

    def __call__(self, data: bytes) -> bytes:
        self.port.receive(data)
        self.model.timeline.run_until(self.model.timeline.now_ns + 1_000_000)
        heard: bytes = self.edge.take(100_000)
        return heard


@pytest.fixture
def port(build: Callable[..., Any]) -> Port:
    """A ready module."""
    return Port(build)


LINES = [
    # 5.2.1: the prefix is AT or at; 5.8.2 names a mixed one as something that devices differ in.
    (b"AT\r", OK),
    (b"at\r", OK),
    (b"aT\r", OK),
    # 5.2.1: the prefix is found wherever it begins; what stands before it is not looked at.
    (b"xyAT\r", OK),
    (b"AAT\r", OK),
    (b"ABAT\r", OK),
    # 5.2.1: what has no prefix is not answered.
    (b"\r", b""),
    (b"+CSQ\r", b""),
    # 5.2.2: an empty line is OK.
    (b"AT   \r", OK),
    # 5.2.2: only seven bits count.
    (bytes(byte | 0x80 for byte in b"ATS3?\r"), said("013") + OK),
    # 5.2.2: control characters that are left in the line are ignored.
    (b"AT\x00S\x013\x1f?\r", said("013") + OK),
    # 5.2.2: the editing character takes the one before it away, and nothing from an empty body.
    (b"ATS3\x084?\r", said("010") + OK),
    (b"AT\x08\x08S3?\r", said("013") + OK),
    # 5.3.1: a basic command without a number has 0; leading zeros are ignored; another number is an error.
    (b"ATV1E\r", OK),
    (b"ATE0000\r", OK),
    (b"ATE2\r", ERROR),
    # 5.3.2: S-parameters read with exactly three digits.
    (b"ATS0?\r", said("000") + OK),
    (b"ats10?\r", said("014") + OK),
    # 5.4.1: names begin with a letter and have up to 16 characters of A-Z 0-9 ! % - . / : _
    (b"AT+1\r", ERROR),
    # 5.4.1: lower case is upper case, spaces are ignored.
    (b"at + c m e e ?\r", said("+CMEE: 0") + OK),
    # 5.4.2.2: strings stand in quotes; a quote in one is \\22.
    (b'AT+CSCS="IRA"\r', OK),
    (b'AT+CSCS="\\49RA"\r', OK),
    (b"AT+CSCS=IRA\r", ERROR),
    (b'AT+CSCS="ira"\r', ERROR),
    # 5.4.3, 5.4.4: trailing values that are left out may take their commas with them.
    (b"AT+CMER=0,,,,\r", OK),
    (b"AT+CMER=0\r", OK),
    # 5.4.5: basic commands need no separator, extended ones a semicolon before the next of any kind.
    (b"ATE0V1+CMEE?;+CMEE?;E0\r", said("+CMEE: 0") * 2 + OK),
    (b"AT+CMEE?+CMEE?\r", ERROR),
    # 5.6: an error ends the line; what came before it is done; one ERROR.
    (b"AT+CMEE=2;+NOSUCH;+CMEE=1\rAT+CMEE?\r", ERROR + said("+CMEE: 2") + OK),
    # 5.2.4: A/ repeats at once, without a terminator.
    (b"ATS3?\rA/", (said("013") + OK) * 2),
    (b"ATS3?\ra/", (said("013") + OK) * 2),
]


@pytest.mark.parametrize(("sent", "heard"), LINES, ids=lambda value: repr(value)[2:-1])
def test_the_line_is_answered_as_the_standard_says(port: Port, sent: bytes, heard: bytes) -> None:
    assert port(sent) == heard


def test_bodies_of_forty_characters_and_more_are_taken(port: Port) -> None:
    # 5.2.2: at least 40 characters; too long a line is one ERROR, once it is terminated.
    assert port(b"AT" + b" " * 40 + b"E0\r") == OK
    assert port(b"AT" + b"E0" * 2000) == b""
    assert port(b"\r") == ERROR


@pytest.mark.parametrize(
    ("number", "text"),
    # 5.4.4.4: the shapes of range texts.
    [
        (Number(name="n", high=0), "(0)"),
        (Number(name="n", low=1, high=3), "(1-3)"),
        (Number(name="n", high=3, allowed=(1, 2, 3)), "(1,2,3)"),
    ],
)
def test_ranges_are_written_as_the_standard_shows_them(number: Number, text: str) -> None:
    assert number.range_text == text


def test_plus_ipr_and_its_neighbours_have_the_values_of_the_standard(port: Port) -> None:
    # 6.2.11 and 6.2.12; V.250 prints no space after the colon, TS 27.007 does, and so do modules.
    assert port(b"AT+ICF=?\r") == said("+ICF: (1-6),(0-3)") + OK
    assert port(b"AT+IFC=?\r") == said("+IFC: (0,2),(0,2)") + OK
