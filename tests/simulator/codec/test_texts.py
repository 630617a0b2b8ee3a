"""Text to octets and back, for any text."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.codec import gsm7
from simulator.codec.coding import Alphabet
from simulator.codec.user_data import MOST_OCTETS, MOST_SEPTETS, Place, UserData, joined, parts

CHARACTERS = gsm7.DEFAULT.replace("\x1b", "") + "".join(gsm7.EXTENSION.values())
GSM_TEXT = st.text(st.sampled_from(CHARACTERS), max_size=400)
ANY_TEXT = st.text(max_size=200)


@given(GSM_TEXT, st.integers(0, 6))
def test_septets_come_back_from_octets_whatever_bits_stand_before(text: str, fill_bits: int) -> None:
    septets = gsm7.encode(text)
    packed = gsm7.pack(septets, fill_bits=fill_bits)

    assert gsm7.unpack(packed, len(septets), fill_bits=fill_bits) == septets
    assert gsm7.decode(septets) == text
    assert len(packed) == gsm7.octets_of(len(septets), fill_bits=fill_bits)


@given(GSM_TEXT | ANY_TEXT, st.booleans(), st.integers(0, 255), st.randoms())
def test_any_text_comes_back_from_its_parts_in_any_order_and_doubled(
    text: str, is_wide: bool, reference: int, chance: object
) -> None:
    found = parts(text, reference=reference, is_wide=is_wide)
    shuffled = [*found, *found]
    chance.shuffle(shuffled)  # type: ignore[attr-defined] # a random.Random

    assert joined(shuffled) == text
    assert all(data.fits for data in found)
    if len(found) > 1:
        assert [data.place for data in found] == [
            Place(reference, len(found), number, is_wide) for number in range(1, len(found) + 1)
        ]
        assert joined(found[1:]) is None


def test_no_character_is_cut_in_two() -> None:
    odd = parts("a" + "€" * 100)
    pairs = parts("a" + "\U0001f30a" * 40)

    assert [data.text for data in odd] == ["a" + "€" * 76, "€" * 24]
    assert [data.text for data in pairs] == ["a" + "\U0001f30a" * 33, "\U0001f30a" * 7]


def test_a_pair_that_a_sender_has_cut_is_put_together_again() -> None:
    halves = [
        UserData(Alphabet.UCS2, content, (Place(1, 2, number).element(),))
        for number, content in enumerate((b"\xd8\x3c", b"\xdf\x0a"), 1)
    ]

    assert joined(halves) == "\U0001f30a"


def test_the_shortest_alphabet_is_taken() -> None:
    assert UserData.of("Pegel 4,2 m").alphabet is Alphabet.GSM7
    assert UserData.of("水位").alphabet is Alphabet.UCS2
    with pytest.raises(ValueError, match="has no '水'"):
        UserData.of("水位", Alphabet.GSM7)


@pytest.mark.parametrize(
    ("septets", "text"), [(b"\x1b\x1b", " "), (b"\x1b", " "), (b"\x1b\x41", "A"), (b"\x1b\x65", "€")]
)
def test_an_unknown_escape_shows_as_the_standard_says(septets: bytes, text: str) -> None:
    assert gsm7.decode(septets) == text


def test_what_does_not_fit_is_refused() -> None:
    for data in (
        UserData(Alphabet.GSM7, bytes(MOST_SEPTETS + 1)),
        UserData(Alphabet.OCTETS, bytes(MOST_OCTETS + 1)),
    ):
        with pytest.raises(ValueError, match="do not fit"):
            data.encode()
    with pytest.raises(ValueError, match="256 parts"):
        parts("x" * (255 * 153 + 1))


@pytest.mark.parametrize("elements", [((0, b"\x01\x02"),), ((0, b"\x01\x02\x03"),), ((0, b"\x01\x02\x00"),)])
def test_a_place_that_makes_no_sense_is_none(elements: tuple[tuple[int, bytes], ...]) -> None:
    assert UserData(Alphabet.OCTETS, b"x", elements).place is None
