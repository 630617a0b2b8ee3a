"""Values of 3GPP TS 23.038, TS 23.040 and TS 27.005 beside ours."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import gsm0338
import pytest

from simulator.at.entry import CANCEL, SEND
from simulator.at.errors import CMS
from simulator.codec import gsm7
from simulator.codec.coding import Alphabet, Coding, coding_of, received_coding
from simulator.codec.damage import PduError
from simulator.codec.times import relative_span
from simulator.codec.user_data import Place, UserData, parts
from simulator.messages.service_centre import DELETED, DELIVERED, EXPIRED, REJECTED, UNKNOWN_MESSAGE
from simulator.messages.store import Status
from simulator.module.message_ways import MessageWays

# TS 27.005 V14.0.0 3.2.5 (from 300), TS 24.011 V14.3.0 E.2 (to 127), TS 23.040 V14.0.0 9.2.3.22 (to 255).
CMS_TABLE = Path(__file__).with_name("ts27005_cms.tsv")


# TS 23.038 6.2.1, against the codec of the PyPI project gsm0338 (MIT).
def test_every_septet_and_every_extension_is_that_of_gsm0338() -> None:
    theirs = gsm0338.Codec()
    for code in range(128):
        if code != gsm7.ESCAPE:
            assert gsm7.decode(bytes([code])) == theirs.decode(bytes([code]))[0]
    extended = {}
    for code in range(128):
        text, _ = theirs.decode(bytes([gsm7.ESCAPE, code]), "replace")
        if len(text) == 1 and code in gsm7.EXTENSION:
            extended[code] = text
            assert theirs.encode(text)[0] == gsm7.encode(text)

    assert extended == gsm7.EXTENSION
    assert len(extended) == 10


# TS 23.038 6.2.1.1: ten entries; 0A is the page break.
def test_the_extension_has_ten_entries() -> None:
    assert "".join(gsm7.EXTENSION.values()) == "\f^{}\\[~]|€"


# TS 23.038 6.1.2.1; the example is that of many tutorials.
def test_septets_are_packed_as_in_the_widely_copied_example() -> None:
    assert gsm7.pack(gsm7.encode("hellohello")).hex().upper() == "E8329BFD4697D9EC37"
    assert [gsm7.octets_of(count) for count in (0, 1, 7, 8, 9, 16, 153, 160)] == [0, 1, 7, 7, 8, 14, 134, 140]


# TS 23.040 9.2.3.12.1: 0 to 143: (value + 1) x 5 minutes; to 167: 12 hours + (value - 143) x 30 minutes;
# to 196: (value - 166) days; to 255: (value - 192) weeks.
def test_every_relative_validity_is_that_of_the_standard() -> None:
    minutes = [5 * (value + 1) for value in range(144)]
    minutes += [12 * 60 + 30 * (value - 143) for value in range(144, 168)]
    minutes += [24 * 60 * (value - 166) for value in range(168, 197)]
    minutes += [7 * 24 * 60 * (value - 192) for value in range(197, 256)]

    assert [relative_span(value) for value in range(256)] == [timedelta(minutes=count) for count in minutes]
    # Values that are quoted everywhere: 1 day, 4 days, 52 and 63 weeks.
    assert [relative_span(value).days for value in (167, 170, 244, 255)] == [1, 4, 364, 441]


# TS 23.040 9.2.3.24.1: 140 octets, less six (or seven) of header.
@pytest.mark.parametrize(
    ("character", "single", "part", "wide_part"),
    [("a", 160, 153, 152), ("ж", 70, 67, 66), ("\xff", 70, 67, 66)],
)
def test_a_message_holds_as_many_characters_as_the_standard_says(
    character: str, single: int, part: int, wide_part: int
) -> None:
    assert len(parts(character * single)) == 1
    assert [len(one.text) for one in parts(character * (single + 1))] == [part, single + 1 - part]
    assert len(parts(character * (single + 1), is_wide=True)[0].text) == wide_part


def test_a_message_of_octets_holds_140_or_134() -> None:
    assert len(parts("x" * 140, alphabet=Alphabet.OCTETS)) == 1
    assert [len(one.content) for one in parts("x" * 141, alphabet=Alphabet.OCTETS)] == [134, 7]


# TS 23.040 9.2.3.24.1 and 9.2.3.24.8, with examples of public tutorials.
def test_parts_name_their_place_as_in_public_examples() -> None:
    data = UserData.of("x", place=Place(0x7F, 2, 1))
    wide = UserData.of("x", place=Place(0x047F, 2, 1, is_wide=True))

    assert data.header.hex().upper() == "0500037F0201"
    assert wide.header.hex().upper() == "060804047F0201"


# TS 23.038 4.
@pytest.mark.parametrize(
    ("octet", "coding"),
    [
        (0x00, Coding(Alphabet.GSM7)),
        (0x04, Coding(Alphabet.OCTETS)),
        (0x08, Coding(Alphabet.UCS2)),
        (0x10, Coding(Alphabet.GSM7, 0)),
        (0xF0, Coding(Alphabet.GSM7, 0)),
        (0xF1, Coding(Alphabet.GSM7, 1)),
        (0xF2, Coding(Alphabet.GSM7, 2)),
        (0xF3, Coding(Alphabet.GSM7, 3)),
        (0xF5, Coding(Alphabet.OCTETS, 1)),
        (0xC8, Coding(Alphabet.GSM7, is_indication=True, is_discarded=True)),
        (0xD8, Coding(Alphabet.GSM7, is_indication=True)),
        (0xE0, Coding(Alphabet.UCS2, is_indication=True)),
    ],
)
def test_a_coding_means_what_the_standard_says(octet: int, coding: Coding) -> None:
    assert coding_of(octet) == coding


@pytest.mark.parametrize("octet", [0x0C, 0x1C, 0x80, 0xB0, 0xC4, 0xF8])
def test_what_the_standard_keeps_back_is_refused_to_senders_and_is_the_default_to_receivers(
    octet: int,
) -> None:
    with pytest.raises(PduError, match="reserved"):
        coding_of(octet)
    assert received_coding(octet) == Coding(Alphabet.GSM7)


def test_the_causes_of_cms_error_are_those_of_the_standards() -> None:
    lines = CMS_TABLE.read_text(encoding="utf-8").splitlines()
    rows = [line.split("\t") for line in lines if not line.startswith("#")]

    assert len(rows) == 73
    assert {int(code): words for code, words, _ in rows} == CMS


# TS 23.040 9.2.3.15.
def test_what_became_of_a_message_has_the_numbers_of_the_standard() -> None:
    assert (DELIVERED, REJECTED, EXPIRED, DELETED, UNKNOWN_MESSAGE) == (0, 66, 70, 71, 73)


# TS 27.005 3.1, <stat>; 3.5.1: <CR><LF><greater_than><space>, Ctrl-Z, ESC.
def test_statuses_and_the_prompt_are_those_of_the_standard() -> None:
    assert {status.number: status.words for status in Status} == {
        0: "REC UNREAD",
        1: "REC READ",
        2: "STO UNSENT",
        3: "STO SENT",
    }
    assert list(MessageWays().prompt.encode()) == [13, 10, 62, 32]
    assert (SEND, CANCEL) == (26, 27)
