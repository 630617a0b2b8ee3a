"""A message written in text mode in, its octets out, by what +CSMP and +CSCS have set (3GPP TS 27.005 3.1,
3.3.2).
"""

from __future__ import annotations

import re
from datetime import datetime, timedelta, timezone
from typing import TYPE_CHECKING, Final

from simulator.codec import gsm7
from simulator.codec.coding import Alphabet, coding_of
from simulator.codec.times import encode_stamp
from simulator.codec.tpdu import HEADER, KIND, Submit
from simulator.codec.user_data import MOST_OCTETS, UserData, read_user_data
from simulator.messages.causes import INVALID_TEXT

from .errors import MessageError
from .terminal_text import from_terminal

if TYPE_CHECKING:
    from simulator.codec.addresses import Address

    from .session import Session

# Bits of the first octet that say how a validity is written (TS 23.040 9.2.3.3).
_FORM: Final = 0x18
_INSTANT: Final = re.compile(r"(\d\d)/(\d\d)/(\d\d),(\d\d):(\d\d):(\d\d)([+-]\d\d)")


def submitted(session: Session, recipient: Address, text: str) -> bytes:
    """The octets of a message written in text mode; raises MessageError where they make none."""
    parameters = session.messages.parameters
    first = parameters.first_octet
    if first & KIND != Submit.kind:
        raise MessageError(INVALID_TEXT)
    validity = _validity(first & _FORM, parameters.validity)
    message = Submit(
        recipient=recipient,
        data=user_data(session, text),
        pid=parameters.pid,
        dcs=parameters.dcs,
        validity=validity,
        is_enhanced=first & _FORM == 0x08,  # noqa: PLR2004 # TS 23.040 9.2.3.3
        flags=first & ~(KIND | HEADER | _FORM),
    )
    return message.encode()


def user_data(session: Session, text: str) -> UserData:
    """The user data that *text*, as it was entered, makes under +CSMP; raises MessageError."""
    parameters = session.messages.parameters
    try:
        coding = coding_of(parameters.dcs)
        alphabet = Alphabet.OCTETS if coding.is_compressed else coding.alphabet
        if parameters.first_octet & HEADER:
            octets = octets_of("".join(text.split()))
            count = len(octets) * 8 // 7 if alphabet is Alphabet.GSM7 else len(octets)
            return read_user_data(bytes([count]) + octets, 0, alphabet, has_header=True)
        if alphabet is Alphabet.GSM7:
            data = UserData(alphabet, gsm7.encode(from_terminal(text, session.character_set)))
        else:
            octets = octets_of("".join(text.split()))
            data = read_user_data(bytes([len(octets)]) + octets, 0, alphabet, has_header=False)
    except ValueError:
        raise MessageError(INVALID_TEXT) from None
    if not data.fits:
        raise MessageError(INVALID_TEXT)
    return data


def _validity(form: int, written: str) -> bytes:
    """The validity as octets, where the first octet says that there is one."""
    try:
        match form:
            case 0x10:
                return bytes([int(written)])
            case 0x18:
                return encode_stamp(_instant(written))
            case 0x08:
                return bytes.fromhex(written)
    except ValueError:
        raise MessageError(INVALID_TEXT) from None
    return b""


def _instant(written: str) -> datetime:
    found = _INSTANT.fullmatch(written)
    if found is None:
        raise ValueError(written)
    year, month, day, hour, minute, second, quarters = map(int, found.groups())
    zone = timezone(timedelta(minutes=15 * quarters))
    return datetime(2000 + year, month, day, hour, minute, second, tzinfo=zone)


def octets_of(digits: str) -> bytes:
    """The octets that *digits* write, as many as a message holds; raises MessageError."""
    try:
        octets = bytes.fromhex(digits)
    except ValueError:
        raise MessageError(INVALID_TEXT) from None
    if len(octets) > MOST_OCTETS:
        raise MessageError(INVALID_TEXT)
    return octets
