"""Short messages on any bench: texts and numbers in, PDUs to the module, and back.

PDU mode, so that no character set and no text that looks like a result can come between.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simulator.codec.addresses import Address
from simulator.codec.damage import PduError
from simulator.codec.message_pdu import MessagePdu, read_pdu
from simulator.codec.tpdu import (
    REPORT,
    Command,
    Deliver,
    StatusReport,
    Submit,
    decode_from_phone,
    decode_to_phone,
)
from simulator.codec.user_data import UserData, joined, parts

if TYPE_CHECKING:
    from collections.abc import Iterator
    from datetime import datetime

    from .modem import Modem

# How long a module may take to send one message (manuals give 60 to 120 s; common practice).
SEND_S: Final = 120.0
# How long it may take to list or delete a full card (common practice, no source: 25 s and more).
_STORE_S: Final = 30.0

_STATUS: Final = ("unread", "read", "unsent", "sent")
_RECEIVED: Final = 2  # status numbers below it are of messages that came


@dataclass(frozen=True, slots=True, kw_only=True)
class Message:
    """One message, long ones put together.

    *status* is unread, read, unsent or sent; *number* the other side's.  *text* is None while parts of a long
    message lack, for a message that makes no sense, and for a status report, whose *delivery* is its status
    (TS 23.040 9.2.3.15) and *reference* that of the message.  *indexes* are the places of its parts.
    """

    indexes: tuple[int, ...]
    status: str
    number: str = ""
    text: str | None = None
    stamp: datetime | None = None
    delivery: int | None = None
    reference: int | None = None


@dataclass(frozen=True, slots=True)
class _Entry:
    """One place of the store."""

    index: int
    status: int
    message: Deliver | StatusReport | Submit | Command | None


class Messages:
    """The messages of *modem*, whose card must be unlocked."""

    def __init__(self, modem: Modem) -> None:
        self._modem = modem

    def send(self, text: str, to: str, *, report: bool = False, timeout_s: float = SEND_S) -> list[int]:
        """Send *text*, in as many parts as it takes; their message references.

        Raises CommandFailedError with the network's cause.  After NoReplyError the message may have been sent
        all the same: sending it again can double it.
        """
        reference = self._next_long(text, to)
        self._modem.command("AT+CMGF=0")
        return [
            self._send(data, to, report=report, timeout_s=timeout_s)
            for data in parts(text, reference=reference)
        ]

    @staticmethod
    def _next_long(text: str, to: str) -> int:
        """The reference of a long message: by its content, so that equal runs are equal."""
        return sum((place + 1) * ord(character) for place, character in enumerate(to + text)) % 256

    def _send(self, data: UserData, to: str, *, report: bool, timeout_s: float) -> int:
        octets = Submit(
            recipient=Address.of(to),
            data=data,
            dcs=4 * data.alphabet.value,
            validity=b"\xa7",  # a day
            flags=REPORT if report else 0,
        ).encode()
        pdu = MessagePdu(None, octets).text
        reply = self._modem.enter(f"AT+CMGS={len(octets)}", pdu, timeout_s=timeout_s)
        return int(reply.value("+CMGS").split(",")[0])

    def read(self, *, store: str | None = None) -> list[Message]:
        """All messages, of *store* (SM, ME, MT, SR) or of that in force, in the order of their first places.

        Unread ones are read afterwards.
        """
        entries = self._entries(store)
        found: list[Message] = []
        long: dict[tuple[str, int, int], list[_Entry]] = {}
        for entry in entries:
            message = entry.message
            place = message.data.place if isinstance(message, Deliver) else None
            if isinstance(message, Deliver) and place is not None:
                long.setdefault((message.sender.text, place.reference, place.total), []).append(entry)
            else:
                found.append(_single(entry))
        found += map(_long, long.values())
        return sorted(found, key=lambda message: message.indexes)

    def _entries(self, store: str | None) -> list[_Entry]:
        self.select(store)
        self._modem.command("AT+CMGF=0")
        reply = self._modem.command("AT+CMGL=4", timeout_s=_STORE_S)
        return list(_read_entries(reply.lines))

    def delete(self, message: Message | int) -> None:
        """Delete a message with all its parts, or the one place of that number."""
        for index in message.indexes if isinstance(message, Message) else (message,):
            self._modem.command(f"AT+CMGD={index}", timeout_s=_STORE_S)

    def delete_all(self, *, store: str | None = None) -> None:
        """Delete all messages, unread ones too, of *store* or of that in force."""
        self.select(store)
        self._modem.command("AT+CMGD=1,4", timeout_s=_STORE_S)

    def select(self, store: str | None) -> None:
        """Read and delete in *store* from now on; None leaves it."""
        if store is not None:
            self._modem.command(f'AT+CPMS="{store}"')

    def counts(self) -> tuple[int, int]:
        """How many places of the store in force are taken, and how many there are."""
        _, used, places, *_ = self._modem.command("AT+CPMS?").value("+CPMS").split(",")
        return int(used), int(places)


def _read_entries(lines: tuple[str, ...]) -> Iterator[_Entry]:
    """The places that +CMGL in PDU mode lists: a head, then the octets."""
    heads = iter(lines)
    for head in heads:
        if not head.startswith("+CMGL:"):
            continue
        index, status, *_ = head.removeprefix("+CMGL:").split(",")
        number = int(status)
        decode = decode_to_phone if number < _RECEIVED else decode_from_phone
        try:
            message: Deliver | StatusReport | Submit | Command | None = decode(read_pdu(next(heads, "")).tpdu)
        except PduError:
            message = None
        yield _Entry(int(index), number, message)


def _single(entry: _Entry) -> Message:
    indexes, status, message = (entry.index,), _STATUS[entry.status], entry.message
    match message:
        case Deliver():
            return Message(
                indexes=indexes,
                status=status,
                number=message.sender.text,
                text=message.data.text,
                stamp=message.stamp,
            )
        case StatusReport():
            return Message(
                indexes=indexes,
                status=status,
                number=message.recipient.text,
                stamp=message.stamp,
                delivery=message.status,
                reference=message.reference,
            )
        case Submit():
            return Message(
                indexes=indexes, status=status, number=message.recipient.text, text=message.data.text
            )
    return Message(indexes=indexes, status=status)


def _long(entries: list[_Entry]) -> Message:
    messages = [entry.message for entry in entries if isinstance(entry.message, Deliver)]
    is_unread = any(entry.status == 0 for entry in entries)
    return Message(
        indexes=tuple(entry.index for entry in entries),
        status=_STATUS[0 if is_unread else 1],
        number=messages[0].sender.text,
        text=joined(message.data for message in messages),
        stamp=min(message.stamp for message in messages),
    )
