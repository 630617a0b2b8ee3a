"""Messages as they pass between a phone and its service centre: values in, octets out, and back
(3GPP TS 23.040 9.2.2).

Decoding is strict: octets that are cut, too long, or that the standard keeps back raise PduError.  What is
decoded keeps the octets it came from.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Final, TypeAlias

from .addresses import Address, read_address
from .coding import Alphabet, coding_of, received_coding
from .damage import PduError
from .times import STAMP_OCTETS, decode_enhanced, decode_stamp, encode_stamp, relative_span
from .user_data import UserData, read_user_data

if TYPE_CHECKING:
    from datetime import datetime, timedelta

    from .coding import Coding

# The first octet (9.2.3.1 to 9.2.3.25).
KIND: Final = 0x03
NO_MORE, LOOPED = 0x04, 0x08  # towards the phone: no more messages wait; has been forwarded already
REJECT_DUPLICATES: Final = 0x04  # from the phone
REPORT, HEADER, REPLY_PATH = 0x20, 0x40, 0x80
_VALIDITY: Final = 0x18
_RELATIVE, _ENHANCED, _ABSOLUTE = 0x10, 0x08, 0x18

_LONGEST: Final = 164 + 12  # the longest message of 9.2.2 with its addresses, and what is more is damaged


@dataclass(frozen=True, slots=True, kw_only=True)
class Deliver:
    """SMS-DELIVER: from the service centre to the phone (9.2.2.1)."""

    kind: ClassVar[int] = 0
    sender: Address
    stamp: datetime
    data: UserData
    pid: int = 0
    dcs: int = 0
    flags: int = NO_MORE

    @property
    def first_octet(self) -> int:
        """The first octet, whose header bit follows the user data."""
        return _first(self.flags, self.kind, self.data)

    def encode(self) -> bytes:
        """The octets; raises ValueError where the text does not fit."""
        return (
            bytes([self.first_octet])
            + self.sender.encode()
            + bytes([self.pid, self.dcs])
            + encode_stamp(self.stamp)
            + self.data.encode()
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Submit:
    """SMS-SUBMIT: from the phone to the service centre (9.2.2.2).

    *validity* is how it is written: one octet relative, seven octets absolute or enhanced, or empty.
    """

    kind: ClassVar[int] = 1
    reference: int = 0
    recipient: Address
    data: UserData
    pid: int = 0
    dcs: int = 0
    validity: bytes = b""
    is_enhanced: bool = False
    flags: int = 0

    @property
    def first_octet(self) -> int:
        """The first octet, whose header and validity bits follow what is there."""
        if len(self.validity) == 1:
            form = _RELATIVE
        elif self.validity:
            form = _ENHANCED if self.is_enhanced else _ABSOLUTE
        else:
            form = 0
        return _first(self.flags, self.kind, self.data) | form

    @property
    def wants_report(self) -> bool:
        """Whether a status report is asked for."""
        return bool(self.flags & REPORT)

    def span(self, now: datetime) -> timedelta | None:
        """How long from *now* the centre may try to deliver it; None where the sender does not say."""
        if not self.validity:
            return None
        if len(self.validity) == 1:
            return relative_span(self.validity[0])
        if self.is_enhanced:
            return decode_enhanced(self.validity, "validity")
        return decode_stamp(self.validity, "validity") - now

    def encode(self) -> bytes:
        """The octets; raises ValueError where the text does not fit."""
        return (
            bytes([self.first_octet, self.reference])
            + self.recipient.encode()
            + bytes([self.pid, self.dcs])
            + self.validity
            + self.data.encode()
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class StatusReport:
    """SMS-STATUS-REPORT: what became of a message (9.2.2.3); *status* as in 9.2.3.15."""

    kind: ClassVar[int] = 2
    reference: int
    recipient: Address
    stamp: datetime
    discharge: datetime
    status: int
    flags: int = NO_MORE

    @property
    def first_octet(self) -> int:
        """The first octet."""
        return self.flags | self.kind

    def encode(self) -> bytes:
        """The octets."""
        return (
            bytes([self.first_octet, self.reference])
            + self.recipient.encode()
            + encode_stamp(self.stamp)
            + encode_stamp(self.discharge)
            + bytes([self.status])
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Command:
    """SMS-COMMAND: from the phone about a message that it has sent (9.2.2.4); *what* as in 9.2.3.19."""

    kind: ClassVar[int] = 2
    reference: int = 0
    pid: int = 0
    what: int = 0
    message: int
    recipient: Address
    data: bytes = b""
    flags: int = 0

    @property
    def first_octet(self) -> int:
        """The first octet."""
        return self.flags | self.kind

    @property
    def wants_report(self) -> bool:
        """Whether a status report is asked for."""
        return bool(self.flags & REPORT)

    def encode(self) -> bytes:
        """The octets."""
        return (
            bytes([self.first_octet, self.reference, self.pid, self.what, self.message])
            + self.recipient.encode()
            + bytes([len(self.data)])
            + self.data
        )


ToPhone: TypeAlias = Deliver | StatusReport
FromPhone: TypeAlias = Submit | Command


def _first(flags: int, kind: int, data: UserData) -> int:
    return flags & ~(KIND | HEADER) | kind | (HEADER if data.elements else 0)


def decode_to_phone(octets: bytes) -> ToPhone:
    """A message from the service centre; raises PduError."""
    first = _octet(octets, 0, "first octet")
    match first & KIND:
        case Deliver.kind:
            return _deliver(octets)
        case StatusReport.kind:
            return _status_report(octets)
        case other:
            raise PduError("first octet", f"kind {other} does not go to a phone")


def decode_from_phone(octets: bytes) -> FromPhone:
    """A message for the service centre; raises PduError."""
    first = _octet(octets, 0, "first octet")
    match first & KIND:
        case Submit.kind:
            return _submit(octets)
        case Command.kind:
            return _command(octets)
        case other:
            raise PduError("first octet", f"kind {other} does not go to a service centre")


def _octet(octets: bytes, position: int, part: str) -> int:
    if len(octets) > _LONGEST:
        raise PduError("message", f"{len(octets)} octets, at most {_LONGEST} are allowed")
    if position >= len(octets):
        raise PduError(part, "cut short")
    return octets[position]


def _deliver(octets: bytes) -> Deliver:
    first = octets[0]
    sender, end = read_address(octets, 1, "sender")
    pid, dcs = _octet(octets, end, "protocol"), _octet(octets, end + 1, "coding")
    stamp = decode_stamp(octets[end + 2 : end + 2 + STAMP_OCTETS], "time stamp")
    data = _data(octets, end + 2 + STAMP_OCTETS, first, received_coding(dcs))
    return Deliver(sender=sender, stamp=stamp, data=data, pid=pid, dcs=dcs, flags=first & ~(KIND | HEADER))


def _submit(octets: bytes) -> Submit:
    first, reference = octets[0], _octet(octets, 1, "reference")
    recipient, end = read_address(octets, 2, "recipient")
    pid, dcs = _octet(octets, end, "protocol"), _octet(octets, end + 1, "coding")
    end += 2
    form = first & _VALIDITY
    length = {0: 0, _RELATIVE: 1}.get(form, STAMP_OCTETS)
    validity = octets[end : end + length]
    if len(validity) != length:
        raise PduError("validity", "cut short")
    if form == _ABSOLUTE:
        decode_stamp(validity, "validity")
    elif form == _ENHANCED:
        decode_enhanced(validity, "validity")
    return Submit(
        reference=reference,
        recipient=recipient,
        data=_data(octets, end + length, first, coding_of(dcs)),
        pid=pid,
        dcs=dcs,
        validity=validity,
        is_enhanced=form == _ENHANCED,
        flags=first & ~(KIND | HEADER | _VALIDITY),
    )


def _data(octets: bytes, start: int, first: int, coding: Coding) -> UserData:
    # Compressed text (TS 23.042) is carried as it is.
    alphabet = Alphabet.OCTETS if coding.is_compressed else coding.alphabet
    return read_user_data(octets, start, alphabet, has_header=bool(first & HEADER))


def _status_report(octets: bytes) -> StatusReport:
    reference = _octet(octets, 1, "reference")
    recipient, end = read_address(octets, 2, "recipient")
    stamp = decode_stamp(octets[end : end + STAMP_OCTETS], "time stamp")
    end += STAMP_OCTETS
    discharge = decode_stamp(octets[end : end + STAMP_OCTETS], "discharge time")
    status = _octet(octets, end + STAMP_OCTETS, "status")
    _read_optional(octets, end + STAMP_OCTETS + 1)
    return StatusReport(
        reference=reference,
        recipient=recipient,
        stamp=stamp,
        discharge=discharge,
        status=status,
        flags=octets[0] & ~KIND,
    )


def _read_optional(octets: bytes, start: int) -> None:
    """What may follow a report (9.2.3.27): an indicator, and what it announces; its text is not kept."""
    if start == len(octets):
        return
    indicator, position = octets[start], start + 1
    if indicator & 0xF8:
        raise PduError("parameter indicator", f"{indicator:02X} is reserved")
    dcs = 0
    if indicator & 1:
        _octet(octets, position, "protocol")
        position += 1
    if indicator & 2:
        dcs = _octet(octets, position, "coding")
        position += 1
    if indicator & 4:
        _data(octets, position, octets[0], received_coding(dcs))
    elif position != len(octets):
        raise PduError("message", f"{len(octets) - position} octets too many")


def _command(octets: bytes) -> Command:
    reference, pid = _octet(octets, 1, "reference"), _octet(octets, 2, "protocol")
    what, message = _octet(octets, 3, "command"), _octet(octets, 4, "message number")
    recipient, end = read_address(octets, 5, "recipient")
    length = _octet(octets, end, "command data")
    data = octets[end + 1 :]
    if len(data) != length:
        raise PduError("command data", f"length {length}, {len(data)} octets are there")
    return Command(
        reference=reference,
        pid=pid,
        what=what,
        message=message,
        recipient=recipient,
        data=data,
        flags=octets[0] & ~KIND,
    )
