"""Numbers as messages carry them: a type and digits, or letters (3GPP TS 23.040 9.1.2.5)."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Final

from . import gsm7
from .damage import PduError

# The type octet: always bit 7; type of number in bits 6 to 4; numbering plan below.
UNKNOWN, INTERNATIONAL, ALPHANUMERIC = 0x81, 0x91, 0xD0
_KIND: Final = 0x70
_LETTERS: Final = 0x50
_ABROAD: Final = 0x10

# Semi-octets beyond the ten digits (9.1.2.3); F fills the last octet.
_SIGNS: Final = "0123456789*#abc"
_FILL: Final = 0xF
LONGEST: Final = 20  # 9.1.2.5: twelve octets with length and type
_DIGITS: Final = re.compile(r"\+?[0-9*#abcABC]{1,20}")


@dataclass(frozen=True, slots=True)
class Address:
    """*text* is digits, with a leading + where *kind* is international, or letters where it says so.

    *kind* is the type octet; 145 and 129 are those of TS 27.005's `<toda>`.  Raises ValueError for what
    cannot be sent.
    """

    text: str
    kind: int

    def __post_init__(self) -> None:
        if not 0x80 <= self.kind <= 0xFF:  # noqa: PLR2004 # an octet with its highest bit
            raise ValueError(f"a type of address is 128 to 255, not {self.kind}")
        if self.is_letters:
            if not gsm7.is_encodable(self.text) or self.semi_octets > LONGEST:
                raise ValueError(f"letters that fit into {LONGEST} semi-octets, not {self.text!r}")
        elif self.text and not _DIGITS.fullmatch(self.text):
            raise ValueError(f"up to {LONGEST} digits after an optional +, not {self.text!r}")
        elif self.text and self.text.startswith("+") is not self._is_abroad:
            raise ValueError(f"a + stands before international numbers alone, not {self.text!r}")

    @property
    def is_letters(self) -> bool:
        """Whether it is a name."""
        return self.kind & _KIND == _LETTERS

    @property
    def _is_abroad(self) -> bool:
        return self.kind & _KIND == _ABROAD

    @property
    def semi_octets(self) -> int:
        """Its length as the length octet states it: useful semi-octets."""
        if self.is_letters:
            return -(-len(gsm7.encode(self.text)) * 7 // 4)
        return len(self.text.removeprefix("+"))

    @classmethod
    def of(cls, text: str) -> Address:
        """The address of a number as people write it: international where it begins with +."""
        return cls(text, INTERNATIONAL if text.startswith("+") else UNKNOWN)

    def encode(self) -> bytes:
        """Length in semi-octets, type, digits or packed letters."""
        return bytes([self.semi_octets, self.kind]) + self._value()

    def encode_centre(self) -> bytes:
        """As a service centre's address: the length counts octets from the type on (TS 24.011 8.2.5.1)."""
        value = bytes([self.kind]) + self._value()
        return bytes([len(value)]) + value

    def _value(self) -> bytes:
        if self.is_letters:
            return gsm7.pack(gsm7.encode(self.text))
        codes = [_SIGNS.index(sign) for sign in self.text.removeprefix("+").lower()]
        if len(codes) % 2:
            codes.append(_FILL)
        return bytes(low | high << 4 for low, high in zip(codes[::2], codes[1::2], strict=True))


def read_address(octets: bytes, start: int, part: str) -> tuple[Address, int]:
    """The address at *start* of *octets*, and where it ends; raises PduError."""
    if start + 2 > len(octets):
        raise PduError(part, "cut short")
    count, kind = octets[start], octets[start + 1]
    if count > LONGEST:
        raise PduError(part, f"{count} semi-octets, at most {LONGEST} are allowed")
    end = start + 2 + (count + 1) // 2
    value = octets[start + 2 : end]
    if end > len(octets):
        raise PduError(part, "cut short")
    if kind & _KIND == _LETTERS:
        text = gsm7.decode(gsm7.unpack(value, count * 4 // 7))
        return _checked(text, kind, part), end
    return _checked(_digits(value, count, kind, part), kind, part), end


def read_centre(octets: bytes, part: str = "service centre") -> tuple[Address | None, int]:
    """The service centre's address at the start of *octets*, None where it is left out, and where it ends."""
    if not octets:
        raise PduError(part, "cut short")
    length = octets[0]
    if length == 0:
        return None, 1
    end = 1 + length
    if length > 1 + LONGEST // 2:
        raise PduError(part, f"{length} octets, at most {1 + LONGEST // 2} are allowed")
    if end > len(octets):
        raise PduError(part, "cut short")
    kind, value = octets[1], octets[2:end]
    count = 2 * len(value) - (bool(value) and value[-1] >> 4 == _FILL)
    return _checked(_digits(value, count, kind, part), kind, part), end


def _digits(value: bytes, count: int, kind: int, part: str) -> str:
    codes = [code for octet in value for code in (octet & 0xF, octet >> 4)]
    if _FILL in codes[:count] or codes[count:] not in ([], [_FILL]):
        raise PduError(part, f"{count} digits are announced, {value.hex().upper()} holds others")
    sign = "+" if kind & _KIND == _ABROAD and count else ""
    return sign + "".join(_SIGNS[code] for code in codes[:count])


def _checked(text: str, kind: int, part: str) -> Address:
    try:
        return Address(text, kind)
    except ValueError as error:
        raise PduError(part, str(error)) from error
