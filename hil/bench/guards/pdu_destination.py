"""The hexadecimal digits of a message PDU in, the numbers it may go to out (3GPP TS 23.040 9.2.2.2, 9.2.2.4).

Reads the head of a PDU only, and refuses what it cannot read: a message whose way is unknown is not sent.
"""

from __future__ import annotations

import contextlib
import re
from typing import Final

_SUBMIT, _COMMAND = 1, 2
_INTERNATIONAL: Final = 1
_NATIONAL_KINDS: Final = (0, 2, 3, 4)
_DIGITS: Final = "0123456789*#abc"


_HEXADECIMAL: Final = re.compile(r"(?:[0-9A-Fa-f]{2})*")


def destinations(pdu: str, *, length: int | None = None) -> set[str]:
    """The numbers that *pdu* may go to, `+` before one whose type is international.

    *length* is what +CMGS said: the octets after the service centre's address (TS 27.005 4.3).  Where it does
    not fit, a module may go by either; where the rest is damaged, the address may still be read.  Raises
    ValueError that says why nobody can tell.
    """
    whole = _HEXADECIMAL.match(pdu)
    octets = bytes.fromhex(whole[0] if whole else "")
    if not octets:
        raise ValueError("it does not begin with pairs of hexadecimal digits")
    found = {_destination(octets[1 + octets[0] :])}
    from_the_end = octets[-length:] if length else b""
    if from_the_end != octets[1 + octets[0] :]:
        with contextlib.suppress(ValueError):  # nothing that a module could send
            found.add(_destination(from_the_end))
    return found


def _destination(message: bytes) -> str:
    try:
        kind, after_reference = message[0] & 3, message[2:]
        # SUBMIT: reference, destination; COMMAND: reference, protocol, command, message number, destination.
        address = after_reference if kind == _SUBMIT else after_reference[3:]
        digits, type_of_address = address[0], address[1]
        semi_octets = address[2 : 2 + (digits + 1) // 2]
    except IndexError as error:
        raise ValueError("it ends before the address of its receiver") from error
    if kind not in (_SUBMIT, _COMMAND):
        raise ValueError(f"its type {kind} is none that a module sends")
    if len(semi_octets) < (digits + 1) // 2:
        raise ValueError("it ends within the address of its receiver")
    return _number(semi_octets, digits, (type_of_address >> 4) & 7)


def _number(semi_octets: bytes, digits: int, kind: int) -> str:
    nibbles = [nibble for octet in semi_octets for nibble in (octet & 0x0F, octet >> 4)]
    if any(nibble >= len(_DIGITS) for nibble in nibbles[:digits]):
        raise ValueError("the address of its receiver holds no digits")
    number = "".join(_DIGITS[nibble] for nibble in nibbles[:digits])
    if kind == _INTERNATIONAL:
        return "+" + number
    if kind in _NATIONAL_KINDS:
        return number
    raise ValueError(f"the address of its receiver is of type {kind}, which is no number")
