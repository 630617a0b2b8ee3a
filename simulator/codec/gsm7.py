"""The GSM 7 bit default alphabet: characters in, septets out, packed into octets, and back (3GPP TS 23.038
6.1.2.1, 6.2.1).

A septet is an integer below 128; several are `bytes`.  National tables are not known.
"""

from __future__ import annotations

from typing import Final

ESCAPE: Final = 0x1B

# 6.2.1, in the order of the codes; at 1B stands the escape to the extension table.
DEFAULT: Final = (
    "@£$¥èéùìòÇ\nØø\rÅåΔ_ΦΓΛΩΠΨΣΘΞ\x1bÆæßÉ !\"#¤%&'()*+,-./0123456789:;<=>?"
    "¡ABCDEFGHIJKLMNOPQRSTUVWXYZÄÖÑÜ§¿abcdefghijklmnopqrstuvwxyzäöñüà"
)
# 6.2.1.1: after an escape.  0A is a page break; 1B is kept for another table.
EXTENSION: Final = {
    0x0A: "\f",
    0x14: "^",
    0x28: "{",
    0x29: "}",
    0x2F: "\\",
    0x3C: "[",
    0x3D: "~",
    0x3E: "]",
    0x40: "|",
    0x65: "€",
}

_CODES: Final = {
    **{character: bytes([ESCAPE, code]) for code, character in EXTENSION.items()},
    **{character: bytes([code]) for code, character in enumerate(DEFAULT) if code != ESCAPE},
}


def is_encodable(text: str) -> bool:
    """Whether the alphabet and its extension have every character of *text*."""
    return all(character in _CODES for character in text)


def encode(text: str) -> bytes:
    """The septets of *text*, two for a character of the extension; raises ValueError for any other."""
    try:
        return b"".join(map(_CODES.__getitem__, text))
    except KeyError as error:
        raise ValueError(f"the GSM 7 bit default alphabet has no {error.args[0]!r}") from None


def decode(septets: bytes) -> str:
    """The text of *septets*.

    A code that the extension lacks shows as its character in the default table, an escape that nothing or
    another escape follows as a space (6.2.1.1).
    """
    if ESCAPE not in septets:
        return "".join(map(DEFAULT.__getitem__, septets))
    characters = []
    codes = iter(septets)
    for code in codes:
        if code != ESCAPE:
            characters.append(DEFAULT[code])
            continue
        following = next(codes, ESCAPE)
        characters.append(" " if following == ESCAPE else EXTENSION.get(following) or DEFAULT[following])
    return "".join(characters)


def pack(septets: bytes, *, fill_bits: int = 0) -> bytes:
    """The octets of *septets*, the first after *fill_bits* zeros; what is left of the last is zero."""
    number = 0
    for place, septet in enumerate(septets):
        number |= septet << (fill_bits + 7 * place)
    return number.to_bytes(octets_of(len(septets), fill_bits=fill_bits), "little")


def unpack(octets: bytes, count: int, *, fill_bits: int = 0) -> bytes:
    """*count* septets of *octets*; raises ValueError where they are not in it."""
    if octets_of(count, fill_bits=fill_bits) > len(octets):
        raise ValueError(f"{len(octets)} octets do not hold {count} septets")
    number = int.from_bytes(octets, "little") >> fill_bits
    return bytes(number >> 7 * place & 0x7F for place in range(count))


def octets_of(count: int, *, fill_bits: int = 0) -> int:
    """How many octets *count* septets need."""
    return -(-(fill_bits + 7 * count) // 8)
