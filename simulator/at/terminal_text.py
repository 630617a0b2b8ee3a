"""Text as a terminal reads and writes it, by the character set it has chosen (3GPP TS 27.007 5.5).

What passes is Latin-1, one character for each octet on the line.
"""

from __future__ import annotations

import re
from typing import Final

from simulator.codec import gsm7

_HEXADECIMAL: Final = re.compile(r"(?:[0-9A-Fa-f]{4})*")


def to_terminal(text: str, character_set: str) -> str:
    """*text* for the terminal; characters that its set lacks show as question marks."""
    if character_set == "UCS2":
        return text.encode("utf-16-be").hex().upper()
    if character_set == "GSM":
        return b"".join(
            gsm7.encode(character) if gsm7.is_encodable(character) else b"?" for character in text
        ).decode("latin-1")
    return text.encode("ascii", "replace").decode("ascii")


def from_terminal(written: str, character_set: str) -> str:
    """What the terminal has *written*; raises ValueError where it is none of its set."""
    if character_set == "UCS2":
        if not _HEXADECIMAL.fullmatch(written):
            raise ValueError("four hexadecimal digits for each character are expected")
        return bytes.fromhex(written).decode("utf-16-be")
    octets = written.encode("latin-1")
    if not octets.isascii():
        raise ValueError("characters of seven bits are expected")
    return gsm7.decode(octets) if character_set == "GSM" else written
