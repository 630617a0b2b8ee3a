"""The user data of a message: header and text in, length and octets out, and back (3GPP TS 23.040 9.2.3.24).

Text that is too long for one message is cut into parts that name their place; parts, in whatever order, are
put together again.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from . import gsm7
from .coding import Alphabet
from .damage import PduError

if TYPE_CHECKING:
    from collections.abc import Iterable

MOST_OCTETS: Final = 140
MOST_SEPTETS: Final = 160
MOST_PARTS: Final = 255

# Information elements of a header (9.2.3.24.1, 9.2.3.24.8).
_PLACE_8, _PLACE_16 = 0x00, 0x08
_UCS2_UNIT: Final = 2


@dataclass(frozen=True, slots=True)
class Place:
    """Which part of which long message: *reference* of 8 or, where *is_wide*, 16 bits; parts count from 1."""

    reference: int
    total: int
    number: int
    is_wide: bool = False

    def element(self) -> tuple[int, bytes]:
        """Its information element: identifier and content."""
        if self.is_wide:
            return _PLACE_16, self.reference.to_bytes(2) + bytes([self.total, self.number])
        return _PLACE_8, bytes([self.reference, self.total, self.number])


@dataclass(frozen=True, slots=True)
class UserData:
    """Header elements (identifier, content) and content: septets of the default alphabet, or octets."""

    alphabet: Alphabet
    content: bytes
    elements: tuple[tuple[int, bytes], ...] = ()

    @classmethod
    def of(cls, text: str, alphabet: Alphabet | None = None, *, place: Place | None = None) -> UserData:
        """The user data of *text*; without *alphabet* the shortest that can write it.

        Raises ValueError for characters the alphabet lacks.  Octets are written as ISO 8859-1.
        """
        chosen = alphabet_for(text) if alphabet is None else alphabet
        elements = () if place is None else (place.element(),)
        return cls(chosen, _content(text, chosen), elements)

    @property
    def text(self) -> str:
        """The content as text."""
        if self.alphabet is Alphabet.GSM7:
            return gsm7.decode(self.content)
        if self.alphabet is Alphabet.UCS2:
            return self.content.decode("utf-16-be", "replace")
        return self.content.decode("latin-1")

    @property
    def place(self) -> Place | None:
        """Which part it is of a long message; an element that makes no sense is ignored (9.2.3.24.1)."""
        for identifier, content in self.elements:
            if identifier == _PLACE_8 and len(content) == 3:  # noqa: PLR2004 # reference, total, number
                place = Place(content[0], content[1], content[2])
            elif identifier == _PLACE_16 and len(content) == 4:  # noqa: PLR2004 # as above
                place = Place(int.from_bytes(content[:2]), content[2], content[3], is_wide=True)
            else:
                continue
            if 0 < place.number <= place.total:
                return place
        return None

    @property
    def header(self) -> bytes:
        """The header with its length; empty where there are no elements."""
        if not self.elements:
            return b""
        body = b"".join(bytes([identifier, len(content)]) + content for identifier, content in self.elements)
        return bytes([len(body)]) + body

    @property
    def length(self) -> int:
        """What the length octet says: septets under the default alphabet, else octets; header included."""
        if self.alphabet is Alphabet.GSM7:
            return -(-len(self.header) * 8 // 7) + len(self.content)
        return len(self.header) + len(self.content)

    @property
    def fits(self) -> bool:
        """Whether one message can carry it."""
        return self.length <= (MOST_SEPTETS if self.alphabet is Alphabet.GSM7 else MOST_OCTETS)

    def encode(self) -> bytes:
        """Length octet and user data; raises ValueError where it does not fit."""
        if not self.fits:
            raise ValueError(f"{self.length} units do not fit into one message")
        header = self.header
        if self.alphabet is Alphabet.GSM7:
            content = gsm7.pack(self.content, fill_bits=-len(header) * 8 % 7)
        else:
            content = self.content
        return bytes([self.length]) + header + content


def read_user_data(octets: bytes, start: int, alphabet: Alphabet, *, has_header: bool) -> UserData:
    """The user data from its length octet at *start* to the end of *octets*; raises PduError.

    It must fill the rest to the octet: shorter is cut, longer is not announced.
    """
    if start >= len(octets):
        raise PduError("user data", "its length is missing")
    length, data = octets[start], octets[start + 1 :]
    is_packed = alphabet is Alphabet.GSM7
    most = MOST_SEPTETS if is_packed else MOST_OCTETS
    if length > most:
        raise PduError("user data", f"length {length}, at most {most} is allowed")
    wanted = gsm7.octets_of(length) if is_packed else length
    if len(data) != wanted:
        raise PduError("user data", f"length {length} takes {wanted} octets, {len(data)} are there")
    elements, used = _read_header(data) if has_header else ((), 0)
    if not is_packed:
        if alphabet is Alphabet.UCS2 and (len(data) - used) % _UCS2_UNIT:
            raise PduError("user data", "an odd number of octets is no UCS2")
        return UserData(alphabet, data[used:], elements)
    skipped = -(-used * 8 // 7)
    if skipped > length:
        raise PduError("user data", "its header is longer than itself")
    return UserData(alphabet, gsm7.unpack(data, length)[skipped:], elements)


def _read_header(data: bytes) -> tuple[tuple[tuple[int, bytes], ...], int]:
    if not data or 1 + data[0] > len(data):
        raise PduError("user data header", "cut short")
    end, position = 1 + data[0], 1
    elements = []
    while position < end:
        if position + 2 > end or position + 2 + data[position + 1] > end:
            raise PduError("user data header", "an element runs over its end")
        identifier, length = data[position], data[position + 1]
        elements.append((identifier, data[position + 2 : position + 2 + length]))
        position += 2 + length
    return tuple(elements), end


def alphabet_for(text: str) -> Alphabet:
    """The default alphabet where it has every character, else UCS2."""
    return Alphabet.GSM7 if gsm7.is_encodable(text) else Alphabet.UCS2


def parts(
    text: str, *, reference: int = 0, is_wide: bool = False, alphabet: Alphabet | None = None
) -> list[UserData]:
    """*text* as the user data of one message, or of as many as it takes, in order.

    No character is cut in two.  Raises ValueError for a text of more than 255 parts.
    """
    chosen = alphabet_for(text) if alphabet is None else alphabet
    whole = UserData.of(text, chosen)
    if whole.fits:
        return [whole]
    head = len(UserData(chosen, b"", (Place(0, 1, 1, is_wide).element(),)).header)
    room = (MOST_OCTETS - head) * 8 // 7 if chosen is Alphabet.GSM7 else MOST_OCTETS - head
    pieces, piece = [], b""
    for character in text:
        code = _content(character, chosen)
        if len(piece) + len(code) > room:
            pieces.append(piece)
            piece = b""
        piece += code
    pieces.append(piece)
    if len(pieces) > MOST_PARTS:
        raise ValueError(f"the text takes {len(pieces)} parts, at most {MOST_PARTS} are allowed")
    return [
        UserData(chosen, content, (Place(reference, len(pieces), number, is_wide).element(),))
        for number, content in enumerate(pieces, 1)
    ]


def joined(found: Iterable[UserData]) -> str | None:
    """The text of the parts of one long message, in whatever order, doubled or not; None while one lacks."""
    by_number: dict[int, UserData] = {}
    total = 0
    for data in found:
        place = data.place
        if place is None:
            return data.text
        by_number.setdefault(place.number, data)
        total = place.total
    if not total or len(by_number) < total:
        return None
    # Joined before it is read: some senders cut a pair (escape or surrogate) in two.
    content = b"".join(by_number[number].content for number in range(1, total + 1))
    return UserData(by_number[1].alphabet, content).text


def _content(text: str, alphabet: Alphabet) -> bytes:
    if alphabet is Alphabet.GSM7:
        return gsm7.encode(text)
    if alphabet is Alphabet.UCS2:
        return text.encode("utf-16-be")
    return text.encode("latin-1")
