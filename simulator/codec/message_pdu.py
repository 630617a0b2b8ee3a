"""A message as a client of PDU mode writes it: hexadecimal, the service centre's address in front
(3GPP TS 27.005 3.1, `<pdu>` and `<length>`).
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

from .addresses import read_centre
from .damage import PduError

if TYPE_CHECKING:
    from .addresses import Address

_HEXADECIMAL: Final = re.compile(r"(?:[0-9A-Fa-f]{2})*")


class MessagePdu(NamedTuple):
    """The service centre, None where it is left out, and the octets of the message itself."""

    centre: Address | None
    tpdu: bytes

    @property
    def text(self) -> str:
        """As a client reads and writes it."""
        front = b"\x00" if self.centre is None else self.centre.encode_centre()
        return (front + self.tpdu).hex().upper()


def read_pdu(text: str, *, length: int | None = None) -> MessagePdu:
    """What *text* says; *length* is the number of octets announced without the service centre's.

    Raises PduError for an odd digit, a sign that is none, or another length.
    """
    if not _HEXADECIMAL.fullmatch(text):
        raise PduError("message", "pairs of hexadecimal digits are expected")
    octets = bytes.fromhex(text)
    centre, end = read_centre(octets)
    tpdu = octets[end:]
    if length is not None and len(tpdu) != length:
        raise PduError("message", f"{length} octets are announced, {len(tpdu)} are there")
    return MessagePdu(centre, tpdu)
