"""Numbers as they are dialled or written to: made comparable, and told from emergency numbers.

Knows no command and no bench file.
"""

from __future__ import annotations

import re
from typing import Final

# 3GPP TS 22.101 10.1.1: the numbers that every phone knows, and those it knows while it has no card.  Those
# of a card (EF_ECC) or a network come on top; they cannot be dialled either, for no bench file can list them.
EMERGENCY: Final = frozenset({"112", "911", "000", "08", "110", "999", "118", "119"})

# What may stand in a dial string beside the number and does not change whom it reaches (ITU-T V.250 6.3.1;
# TS 27.007 6.2: I and G).
_MODIFIERS: Final = re.compile(r"[-TPW@!$&().\"'\sIG]", re.IGNORECASE)
_PAUSE: Final = ","
# TS 27.007 10.2.1.1: a packet data call without a called address.
_PACKET: Final = re.compile(r"\*9[89](?:\*(?:\*[A-Z0-9]*(?:\*[0-9]*)?)?)?#")
_UCS2: Final = re.compile(r"(?:00[0-9A-F]{2})+", re.IGNORECASE)
_ESCAPED: Final = re.compile(r"\\([0-9A-Fa-f]{2})")
_INTERNATIONAL: Final = 145


def is_emergency(number: str) -> bool:
    """Whether *number* reaches an emergency service, in any country and with or without a card."""
    return number.lstrip("+") in EMERGENCY


def dialled(text: str) -> str:
    """The number that a dial string reaches: without modifiers; what follows a pause is sent later."""
    return _MODIFIERS.sub("", text).partition(_PAUSE)[0]


def is_packet_call(text: str) -> bool:
    """Whether a dial string asks for packet data and for nobody's number."""
    return _PACKET.fullmatch(_MODIFIERS.sub("", text).upper()) is not None


def written_to(text: str, kind: str = "") -> str:
    """The number of a message or a diversion: *text* as it stands in the command, *kind* its type of address.

    Undoes escapes (V.250 5.4.2.2) and the alphabet UCS2 (TS 27.007 5.5); type 145 means a plus.
    """
    number = _ESCAPED.sub(lambda found: chr(int(found[1], 16)), text)
    if _UCS2.fullmatch(number) and number.upper().startswith(("002B", "003")):
        number = bytes.fromhex(number).decode("utf-16-be")
    if kind.isdigit() and int(kind) == _INTERNATIONAL and not number.startswith("+"):
        number = "+" + number
    return number
