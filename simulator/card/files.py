"""Reads and updates of the card's files in, status words and bytes out (3GPP TS 31.102, ETSI TS 102 221).

File contents are those of TS 31.102 4.2 and TS 102 221 13; the status words those of TS 102 221 10.2.1: from
memory, but for the identity of a card (ITU-T E.118).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Callable

    from .card import Card
    from .settings import CardSettings

ICCID, IMSI, SPN, AD, FPLMN = 0x2FE2, 0x6F07, 0x6F46, 0x6FAD, 0x6F7B
_PLMN_BYTES: Final = 3
_NAME_BYTES: Final = 16


class Instruction(IntEnum):
    """What can be asked of the card, by the numbers of TS 27.007 8.18."""

    READ_BINARY = 176
    GET_RESPONSE = 192
    UPDATE_BINARY = 214


@dataclass(frozen=True, slots=True, kw_only=True)
class Request:
    """One instruction on *file*, at *place* (P1 and P2) for *length* (P3) bytes, with *data* to write."""

    instruction: int
    file: int
    place: int
    length: int
    data: bytes = b""


class Answer(NamedTuple):
    """The card's status word and what it returns."""

    sw: int
    data: bytes = b""


DONE: Final = 0x9000
WRONG_LENGTH, EXACT_LENGTH = 0x6700, 0x6C00
NOT_ALLOWED, NOT_FOUND, WRONG_PLACE, UNKNOWN = 0x6982, 0x6A82, 0x6B00, 0x6D00


def access(card: Card, request: Request) -> Answer:
    """Carry out one instruction; whatever is wrong with it is in the status word."""
    if request.instruction not in Instruction.__members__.values():
        return Answer(UNKNOWN)
    build = _CONTENTS.get(request.file)
    content = build(card, card.settings) if build and card.settings else None
    if content is None:
        return Answer(NOT_FOUND)
    if request.instruction == Instruction.GET_RESPONSE:
        return Answer(DONE, _control(request.file, len(content)))
    if request.file in _BEHIND_PIN and not card.is_open:
        return Answer(NOT_ALLOWED)
    return (
        _read(content, request)
        if request.instruction == Instruction.READ_BINARY
        else _update(card, content, request)
    )


def _read(content: bytes, request: Request) -> Answer:
    left = len(content) - request.place
    if left <= 0:
        return Answer(WRONG_PLACE)
    if not 0 < request.length <= left:
        return Answer(EXACT_LENGTH | left)
    return Answer(DONE, content[request.place : request.place + request.length])


def _update(card: Card, content: bytes, request: Request) -> Answer:
    place, data = request.place, request.data
    if request.file != FPLMN:
        return Answer(NOT_ALLOWED)  # the issuer's alone
    if len(data) != request.length or place + len(data) > len(content):
        return Answer(WRONG_LENGTH)
    changed = content[:place] + data + content[place + len(data) :]
    entries = [changed[at : at + _PLMN_BYTES] for at in range(0, len(changed), _PLMN_BYTES)]
    card.forbidden_plmns[:] = [text for entry in entries if (text := _plmn_text(entry))]
    card.lists_changed.announce(None)
    return Answer(DONE)


def _control(file: int, size: int) -> bytes:
    """A transparent file's control parameters (TS 102 221 11.1.1.3): kind, identity, size."""
    body = b"\x82\x02\x41\x21" + b"\x83\x02" + file.to_bytes(2, "big") + b"\x80\x02" + size.to_bytes(2, "big")
    return b"\x62" + bytes([len(body)]) + body


def swapped(digits: str) -> bytes:
    """Digits in pairs, the first in the lower half; F fills the last."""
    padded = digits + "F" * (len(digits) % 2)
    return bytes(int(second + first, 16) for first, second in zip(padded[::2], padded[1::2], strict=True))


def _iccid(_: Card, settings: CardSettings) -> bytes:
    return swapped(settings.iccid).ljust(10, b"\xff")


def _imsi(_: Card, settings: CardSettings) -> bytes:
    """Its length, then the digits behind a half that tells whether their number is odd (TS 31.102 4.2.2)."""
    digits = settings.imsi
    coded = swapped(("9" if len(digits) % 2 else "1") + digits)
    return bytes([len(coded)]) + coded.ljust(8, b"\xff")


def _name(_: Card, settings: CardSettings) -> bytes | None:
    if settings.provider is None:
        return None
    return b"\x01" + settings.provider.encode("ascii").ljust(_NAME_BYTES, b"\xff")


def _administrative(_: Card, settings: CardSettings) -> bytes:
    return bytes([0, 0, 0, settings.mnc_digits])


def _forbidden(card: Card, settings: CardSettings) -> bytes:
    entries = b"".join(map(_plmn_bytes, card.forbidden_plmns))
    return entries.ljust(_PLMN_BYTES * settings.forbidden_places, b"\xff")


def _plmn_bytes(plmn: str) -> bytes:
    """TS 24.008 10.5.1.13: MCC digits 1 to 3, then MNC, whose third digit lies beside MCC's third."""
    mcc, mnc = plmn[:3], plmn[3:].ljust(3, "F")
    return swapped(mcc[:2] + mcc[2] + mnc[2] + mnc[:2])


def _plmn_text(entry: bytes) -> str:
    halves = "".join(f"{byte & 15:X}{byte >> 4:X}" for byte in entry)
    plmn = halves[:3] + halves[4:6] + halves[3].replace("F", "")
    return plmn if plmn.isdigit() else ""


_CONTENTS: Final[dict[int, Callable[[Card, CardSettings], bytes | None]]] = {
    ICCID: _iccid,
    IMSI: _imsi,
    SPN: _name,
    AD: _administrative,
    FPLMN: _forbidden,
}
_BEHIND_PIN: Final = (IMSI, FPLMN)
