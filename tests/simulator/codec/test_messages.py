"""Messages come back as they were; octets that are damaged are refused."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.codec import gsm7
from simulator.codec.addresses import ALPHANUMERIC, INTERNATIONAL, LONGEST, UNKNOWN, Address, read_address
from simulator.codec.coding import Alphabet
from simulator.codec.damage import PduError
from simulator.codec.message_pdu import MessagePdu, read_pdu
from simulator.codec.times import decode_enhanced, decode_stamp, encode_stamp, relative_span
from simulator.codec.tpdu import (
    Command,
    Deliver,
    StatusReport,
    Submit,
    decode_from_phone,
    decode_to_phone,
)
from simulator.codec.user_data import UserData, parts

DIGITS = st.text(st.sampled_from("0123456789*#"), min_size=1, max_size=LONGEST)
ADDRESSES = st.one_of(
    DIGITS.map(lambda digits: Address(digits, UNKNOWN)),
    DIGITS.map(lambda digits: Address(f"+{digits}", INTERNATIONAL)),
    st.text(st.sampled_from("ABCdef 123"), min_size=1, max_size=11).map(
        lambda text: Address(text, ALPHANUMERIC)
    ),
)
STAMPS = st.datetimes(datetime(1970, 1, 1), datetime(2069, 12, 31)).flatmap(  # noqa: DTZ001 # the zone follows
    lambda naive: st.integers(-79, 79).map(
        lambda quarters: naive.replace(microsecond=0, tzinfo=timezone(timedelta(minutes=15 * quarters)))
    )
)
DATA = st.one_of(
    st.text(st.sampled_from(gsm7.DEFAULT.replace("\x1b", "")), max_size=200),
    st.text(max_size=100),
).flatmap(lambda text: st.sampled_from(parts(text, reference=9)))


def deliver(sender: Address, stamp: datetime, data: UserData) -> Deliver:
    return Deliver(sender=sender, stamp=stamp, data=data, dcs=4 * data.alphabet.value)


def submit(recipient: Address, validity: bytes, data: UserData) -> Submit:
    return Submit(recipient=recipient, data=data, dcs=4 * data.alphabet.value, validity=validity, reference=5)


DELIVERS = st.builds(deliver, ADDRESSES, STAMPS, DATA)
SUBMITS = st.builds(
    submit,
    ADDRESSES,
    st.one_of(st.just(b""), st.binary(min_size=1, max_size=1), STAMPS.map(encode_stamp)),
    DATA,
)
REPORTS = st.builds(
    StatusReport,
    reference=st.integers(0, 255),
    recipient=ADDRESSES,
    stamp=STAMPS,
    discharge=STAMPS,
    status=st.integers(0, 255),
)
COMMANDS = st.builds(
    Command,
    reference=st.integers(0, 255),
    what=st.integers(0, 3),
    message=st.integers(0, 255),
    recipient=ADDRESSES,
    data=st.binary(max_size=100),
)
# Between the alphabets' paddings, letters in an address can gain nothing: eight septets fill seven octets.
CENTRES = st.one_of(st.none(), DIGITS.map(lambda digits: Address(f"+{digits}", INTERNATIONAL)))


@given(DELIVERS | REPORTS)
def test_what_goes_to_a_phone_comes_back(message: Deliver | StatusReport) -> None:
    assert decode_to_phone(message.encode()) == message


@given(SUBMITS | COMMANDS)
def test_what_goes_to_a_service_centre_comes_back(message: Submit | Command) -> None:
    assert decode_from_phone(message.encode()) == message


@given(CENTRES, SUBMITS)
def test_a_message_in_hexadecimal_comes_back(centre: Address | None, message: Submit) -> None:
    octets = message.encode()
    pdu = MessagePdu(centre, octets)

    assert read_pdu(pdu.text, length=len(octets)) == pdu
    assert read_pdu(pdu.text.lower()) == pdu


def read_whole(text: str, length: int) -> Submit | Command:
    return decode_from_phone(read_pdu(text, length=length).tpdu)


@given(CENTRES, SUBMITS, st.data())
def test_a_damaged_message_is_refused(centre: Address | None, message: Submit, data: st.DataObject) -> None:
    octets = message.encode()
    text, length = MessagePdu(centre, octets).text, len(octets)
    place = data.draw(st.integers(0, len(text) - 1))
    damaged = data.draw(
        st.sampled_from(
            [
                text[:place],
                text + "0" * (place % 4 + 1),
                text[:place] + "G" + text[place + 1 :],
                text[:place] + " " + text[place:],
                text[:place] + text[place + 1 :],
                text[:place] + text[place : place + 1] + text[place:],
            ]
        )
    )

    assert isinstance(read_whole(text, length), Submit)
    with pytest.raises(PduError):
        read_whole(damaged, length)
    for wrong in (length - 1, length + 1, 0):
        with pytest.raises(PduError):
            read_whole(text, wrong)


@given(SUBMITS | DELIVERS, st.data())
def test_octets_that_are_cut_or_too_many_are_refused_without_their_length_too(
    message: Submit | Deliver, data: st.DataObject
) -> None:
    octets = message.encode()
    decode = decode_from_phone if isinstance(message, Submit) else decode_to_phone
    for damaged in (octets[: data.draw(st.integers(0, len(octets) - 1))], octets + b"\x00"):
        with pytest.raises(PduError):
            decode(damaged)


@given(st.binary(max_size=180))
def test_any_octets_are_read_or_refused_and_nothing_else(octets: bytes) -> None:
    for decode in (decode_to_phone, decode_from_phone):
        try:
            message = decode(octets)
        except PduError:
            continue
        assert message.encode()


@pytest.mark.parametrize(
    ("pdu", "part"),
    [
        ("03000B914477009001F200000100", "first octet"),
        ("01000B9144770090", "recipient"),
        ("0100169144770090010000000000000000", "recipient"),
        ("01000B91447700900132000001C1", "recipient"),
        ("01000B914477009001F2000CAA0141", "coding"),
        ("01000B914477009001F200009F", "user data"),
        ("01000B914477009001F20000A1" + "00" * 141, "user data"),
        ("01000B914477009001F2000803004100", "user data"),
        ("41000B914477009001F2000405050003", "user data"),
        ("41000B914477009001F20004050600030102", "user data header"),
        ("41000B914477009001F2000403020005", "user data header"),
        ("19000B914477009001F20000FF3170013193000161", "validity"),
        ("", "first octet"),
    ],
)
def test_the_error_says_where_a_message_is_damaged(pdu: str, part: str) -> None:
    with pytest.raises(PduError) as caught:
        decode_from_phone(bytes.fromhex(pdu))

    assert caught.value.part == part


@pytest.mark.parametrize(
    ("text", "kind"),
    [
        ("+44", UNKNOWN),
        ("44", INTERNATIONAL),
        ("4 4", UNKNOWN),
        ("1" * 21, UNKNOWN),
        ("水", ALPHANUMERIC),
        ("1", 5),
    ],
)
def test_what_is_no_number_is_refused(text: str, kind: int) -> None:
    with pytest.raises(ValueError, match="not"):
        Address(text, kind)


def test_letters_in_an_address_count_semi_octets() -> None:
    # TS 23.040 9.1.2.5: seven letters are 49 bits, thirteen semi-octets.
    address = Address("Ashbeck", ALPHANUMERIC)

    assert address.encode()[:2] == bytes([13, ALPHANUMERIC])
    assert read_address(address.encode(), 0, "sender")[0] == address


@given(STAMPS)
def test_instants_come_back(stamp: datetime) -> None:
    again = decode_stamp(encode_stamp(stamp), "stamp")

    assert (again, again.utcoffset()) == (stamp, stamp.utcoffset())


@pytest.mark.parametrize("octets", ["00000000000000", "621051600000", "FA105160000000", "621051600000F7"])
def test_what_is_no_instant_is_refused(octets: str) -> None:
    with pytest.raises(PduError):
        decode_stamp(bytes.fromhex(octets), "stamp")


# TS 23.040 9.2.3.12.3.
@pytest.mark.parametrize(
    ("octets", "span"),
    [
        ("00000000000000", None),
        ("01A70000000000", timedelta(days=1)),
        ("021E0000000000", timedelta(seconds=30)),
        ("03103254000000", timedelta(hours=1, minutes=23, seconds=45)),
    ],
)
def test_an_enhanced_validity_is_read(octets: str, span: timedelta | None) -> None:
    assert decode_enhanced(bytes.fromhex(octets), "validity") == span


@pytest.mark.parametrize("octets", ["04000000000000", "81000000000000", "0100"])
def test_a_reserved_enhanced_validity_is_refused(octets: str) -> None:
    with pytest.raises(PduError):
        decode_enhanced(bytes.fromhex(octets), "validity")


def test_a_validity_is_a_span_from_now() -> None:
    now = datetime(2026, 1, 15, 6, 0, tzinfo=UTC)
    data = UserData.of("x")
    to = Address.of("+447700900123")

    assert Submit(recipient=to, data=data).span(now) is None
    assert Submit(recipient=to, data=data, validity=b"\xa7").span(now) == relative_span(167)
    absolute = encode_stamp(now + timedelta(hours=3))
    assert Submit(recipient=to, data=data, validity=absolute).span(now) == timedelta(hours=3)
    enhanced = bytes.fromhex("021E0000000000")
    assert Submit(recipient=to, data=data, validity=enhanced, is_enhanced=True).span(now) == timedelta(
        seconds=30
    )


def test_octets_written_as_text_are_latin_1() -> None:
    assert UserData.of("é", Alphabet.OCTETS).content == b"\xe9"
    assert UserData(Alphabet.OCTETS, b"\xe9").text == "é"
