"""Messages as lines for a terminal (3GPP TS 27.005 3.4, 4.1, 4.2): each a head, and mostly a second line."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.codec.coding import Alphabet
from simulator.codec.times import decode_stamp, stamp_text
from simulator.codec.tpdu import Command, Deliver, StatusReport, Submit

from .terminal_text import to_terminal

if TYPE_CHECKING:
    from simulator.codec.addresses import Address
    from simulator.codec.message_pdu import MessagePdu
    from simulator.codec.user_data import UserData
    from simulator.messages.store import Stored

    from .session import Session


def address_text(session: Session, address: Address | None) -> str:
    """A number in quotes, in the terminal's character set."""
    return f'"{to_terminal(address.text if address else "", session.character_set)}"'


def kind_of(address: Address | None) -> int:
    """`<toda>` and its like; 129 where there is no number."""
    return 129 if address is None else address.kind


def body(session: Session, data: UserData) -> tuple[str, int]:
    """`<data>` and `<length>`: text in the terminal's set, or octets as hexadecimal digits (3.1)."""
    if data.alphabet is Alphabet.GSM7 and not data.elements:
        return to_terminal(data.text, session.character_set), len(data.content)
    octets = data.encode()[1:]
    return octets.hex().upper(), len(octets)


def listed(session: Session, index: int, stored: Stored) -> tuple[str, ...]:
    """The lines of one message under +CMGL."""
    if not session.messages.mode:
        return f"+CMGL: {index},{stored.status.number},,{stored.length}", stored.text
    message, head = stored.message, f'+CMGL: {index},"{stored.status.words}"'
    if isinstance(message, StatusReport):
        return (f"{head},{_report(session, message)}",)
    if isinstance(message, Command):
        return (f"{head},{message.first_octet},{message.what}",)
    text, length = body(session, message.data)
    other = message.sender if isinstance(message, Deliver) else message.recipient
    stamp = f'"{stamp_text(message.stamp)}"' if isinstance(message, Deliver) else ""
    more = f",{other.kind},{length}" if session.messages.shows_headers else ""
    return f"{head},{address_text(session, other)},,{stamp}{more}", text


def shown(session: Session, stored: Stored) -> tuple[str, ...]:
    """The lines of one message under +CMGR."""
    if not session.messages.mode:
        return f"+CMGR: {stored.status.number},,{stored.length}", stored.text
    message, head = stored.message, f'+CMGR: "{stored.status.words}"'
    if isinstance(message, StatusReport):
        return (f"{head},{_report(session, message)}",)
    if isinstance(message, Deliver):
        return f"{head},{_delivered(session, message, stored.centre)}", body(session, message.data)[0]
    if isinstance(message, Command):
        return _command(session, head, message)
    text, length = body(session, message.data)
    more = ""
    if session.messages.shows_headers:
        more = (
            f",{message.recipient.kind},{message.first_octet},{message.pid},{message.dcs},{_validity(message)},"
            f"{address_text(session, stored.centre)},{kind_of(stored.centre)},{length}"
        )
    return f"{head},{address_text(session, message.recipient)},{more}", text


def handed_out(session: Session, message: Deliver | StatusReport, pdu: MessagePdu) -> tuple[str, ...]:
    """The lines of +CMT or +CDS."""
    if isinstance(message, StatusReport):
        if session.messages.mode:
            return (f"+CDS: {_report(session, message)}",)
        return f"+CDS: {len(pdu.tpdu)}", pdu.text
    if session.messages.mode:
        return f"+CMT: {_delivered(session, message, pdu.centre)}", body(session, message.data)[0]
    return f"+CMT: ,{len(pdu.tpdu)}", pdu.text


def _delivered(session: Session, message: Deliver, centre: Address | None) -> str:
    head = f'{address_text(session, message.sender)},,"{stamp_text(message.stamp)}"'
    if not session.messages.shows_headers:
        return head
    return (
        f"{head},{message.sender.kind},{message.first_octet},{message.pid},{message.dcs},"
        f"{address_text(session, centre)},{kind_of(centre)},{body(session, message.data)[1]}"
    )


def _report(session: Session, report: StatusReport) -> str:
    return (
        f"{report.first_octet},{report.reference},{address_text(session, report.recipient)},"
        f'{report.recipient.kind},"{stamp_text(report.stamp)}","{stamp_text(report.discharge)}",{report.status}'
    )


def _command(session: Session, head: str, command: Command) -> tuple[str, ...]:
    head = f"{head},{command.first_octet},{command.what}"
    if not session.messages.shows_headers:
        return (head,)
    recipient = f"{address_text(session, command.recipient)},{command.recipient.kind}"
    more = f",{command.pid},{command.message},{recipient},{len(command.data)}"
    return head + more, command.data.hex().upper()


def _validity(message: Submit) -> str:
    if not message.validity:
        return ""
    if len(message.validity) == 1:
        return str(message.validity[0])
    if message.is_enhanced:
        return f'"{message.validity.hex().upper()}"'
    return f'"{stamp_text(decode_stamp(message.validity, "validity"))}"'
