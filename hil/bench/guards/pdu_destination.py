"""The hexadecimal digits of a message PDU in, the number it goes to out (3GPP TS 23.040 9.2.2.2, 9.2.2.4).

Reads the head of a PDU only, and refuses what it cannot read: a message whose way is unknown is not sent.
"""

from __future__ import annotations

from typing import Final

_SUBMIT, _COMMAND = 1, 2
_INTERNATIONAL: Final = 1
_NATIONAL_KINDS: Final = (0, 2, 3, 4)
_DIGITS: Final = "0123456789*#abc"


def destination(pdu: str, *, length: int | None = None) -> str:
    """The number that *pdu* goes to, `+` before it where its type is international.

    *length* is what +CMGS said: the octets after the service centre's address (TS 27.005 4.3).  Raises
    ValueError that says what is wrong.
    """
    try:
        octets = bytes.fromhex(pdu)
    except ValueError as error:
        raise ValueError("it is not made of pairs of hexadecimal digits") from error
    try:
        message = octets[1 + octets[0] :]
        kind, after_reference = message[0] & 3, message[2:]
        # SUBMIT: reference, destination; COMMAND: reference, protocol, command, message number, destination.
        address = after_reference if kind == _SUBMIT else after_reference[3:]
        digits, type_of_address = address[0], address[1]
        semi_octets = address[2 : 2 + (digits + 1) // 2]
    except IndexError as error:
        raise ValueError("it ends before the address of its receiver") from error
    if kind not in (_SUBMIT, _COMMAND):
        raise ValueError(f"its type {kind} is none that a module sends")
    if length is not None and length != len(message):
        raise ValueError(f"{length} octets were announced and {len(message)} follow")
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
