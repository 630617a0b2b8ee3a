"""The data coding octet: alphabet, class and what is to be done with a message (3GPP TS 23.038 4)."""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import Final

from .damage import PduError


class Alphabet(Enum):
    """How the user data is written."""

    GSM7 = 0
    OCTETS = 1
    UCS2 = 2


@dataclass(frozen=True, slots=True)
class Coding:
    """What a data coding octet says; *message_class* None is no class.

    *is_indication*: the message tells of waiting messages; *is_discarded*: its text need not be stored.
    """

    alphabet: Alphabet
    message_class: int | None = None
    is_compressed: bool = False
    is_indication: bool = False
    is_discarded: bool = False


_GENERAL: Final = (0x0, 0x1, 0x2, 0x3)
_MARKED: Final = (0x4, 0x5, 0x6, 0x7)
_WAITING: Final = {0xC: (Alphabet.GSM7, True), 0xD: (Alphabet.GSM7, False), 0xE: (Alphabet.UCS2, False)}
_CLASSED: Final = 0xF


def coding_of(octet: int) -> Coding:
    """What *octet* says to whoever sends; raises PduError where the standard keeps it back."""
    group, low = octet >> 4, octet & 0xF
    if group in (*_GENERAL, *_MARKED):
        return Coding(
            alphabet=_alphabet(octet, low >> 2),
            message_class=low & 3 if group & 1 else None,
            is_compressed=bool(group & 2),
        )
    if group in _WAITING:
        alphabet, is_discarded = _WAITING[group]
        if low & 0x4:
            raise PduError("coding", f"{octet:02X} has a reserved bit")
        return Coding(alphabet=alphabet, is_indication=True, is_discarded=is_discarded)
    if group == _CLASSED and not low & 0x8:
        return Coding(alphabet=Alphabet.OCTETS if low & 4 else Alphabet.GSM7, message_class=low & 3)
    raise PduError("coding", f"{octet:02X} is reserved")


def received_coding(octet: int) -> Coding:
    """What *octet* says to a receiver, who takes reserved codings for the default alphabet (4)."""
    try:
        return coding_of(octet)
    except PduError:
        return Coding(Alphabet.GSM7)


def _alphabet(octet: int, code: int) -> Alphabet:
    try:
        return Alphabet(code)
    except ValueError:
        raise PduError("coding", f"{octet:02X} names a reserved alphabet") from None
