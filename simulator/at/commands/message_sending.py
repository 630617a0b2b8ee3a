"""Messages sent, and written into store (3GPP TS 27.005 3.5, 4.3, 4.4).

Each that takes text prompts for it; Ctrl-Z sends, ESC gives up, and nothing is sent or stored then.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.entry import Prompt
from simulator.at.errors import CommandError, MessageError
from simulator.at.grammar import Form
from simulator.at.message_writing import octets_of, submitted, user_data
from simulator.at.registry import Awaited, Number, Text, command
from simulator.codec.addresses import UNKNOWN, Address
from simulator.codec.damage import PduError
from simulator.codec.message_pdu import MessagePdu, read_pdu
from simulator.codec.tpdu import (
    KIND,
    Command,
    Deliver,
    Submit,
    decode_from_phone,
    decode_to_phone,
)
from simulator.kernel.timeline import ns
from simulator.messages.causes import (
    FULL,
    INVALID_INDEX,
    INVALID_PDU,
    INVALID_TEXT,
    NOT_ALLOWED,
    TIMEOUT,
)
from simulator.messages.link import ALWAYS, ANSWER_LIMIT_NS
from simulator.messages.store import STATUS_BY_NUMBER, STATUS_BY_WORDS, Status, Stored, StoreFullError

from .message_settings import LONGEST_NUMBER, TS27005, read_address, refuse_unusable

if TYPE_CHECKING:
    from collections.abc import Generator

    from simulator.at.call import Call
    from simulator.at.registry import Steps
    from simulator.messages.messages import Sent

# 4.3: octets of a message without the service centre's; the shortest has no text and one digit.
_SHORTEST, _LONGEST = 7, 164
_LIMIT_NS: Final = ANSWER_LIMIT_NS + ns(10)

_NUMBER_OR_LENGTH: Final = Text(name="da", longest=LONGEST_NUMBER, bare=True)
_KIND: Final = Number(name="toda", low=128, high=255, optional=True)


# -- sending --------------------------------------------------------------------


@command(
    "+CMGS",
    standard=TS27005,
    clause="3.5.1",
    forms=(Form.SET,),
    parameters=(_NUMBER_OR_LENGTH, _KIND),
    test="",
)
def send(call: Call) -> Steps:
    """Send a message, prompted for: text for a number, or octets of a length (also 4.3)."""
    refuse_unusable(call)
    if call.session.messages.mode:
        recipient = _recipient(call, call.text("da") or "")
        text = yield from _prompt(call, again=True)
        if text is None:
            return
        pdu = MessagePdu(None, submitted(call.session, recipient, text))
    else:
        length = _length(call.text("da"))
        text = yield from _prompt(call, again=False)
        if text is None:
            return
        pdu = _read(call, text, length)
        if not isinstance(_checked(pdu.tpdu, Status.UNSENT), Submit):
            raise MessageError(INVALID_PDU)
    reference = yield from _send(call, pdu)
    call.say(f"+CMGS: {reference}")


@command(
    "+CMSS",
    standard=TS27005,
    clause="3.5.2",
    forms=(Form.SET,),
    parameters=(
        Number(name="index", high=65535),
        Text(name="da", longest=LONGEST_NUMBER, bare=True, optional=True),
        _KIND,
    ),
    test="",
)
def send_stored(call: Call) -> Steps:
    """Send a message from store, to its number or another."""
    refuse_unusable(call)
    stored = call.modem.messages.memory(1).get(call.number("index"))
    if stored is None:
        raise MessageError(INVALID_INDEX)
    message = stored.message
    if not isinstance(message, Submit):
        raise MessageError(NOT_ALLOWED)
    pdu = stored.pdu
    written = call.text("da")
    if written is not None:
        recipient = _recipient(call, written)
        pdu = MessagePdu(pdu.centre, _with_recipient(message, recipient).encode())
    elif not message.recipient.text:
        raise MessageError(INVALID_TEXT)
    reference = yield from _send(call, pdu)
    stored.status = Status.SENT
    call.say(f"+CMSS: {reference}")


@command(
    "+CMGC",
    standard=TS27005,
    clause="3.5.5",
    forms=(Form.SET,),
    parameters=(
        Number(name="length_or_fo", high=255),
        Number(name="ct", high=255, optional=True),
        Number(name="pid", high=255, default=0),
        Number(name="mn", high=255, default=0),
        Text(name="da", longest=LONGEST_NUMBER, optional=True),
        _KIND,
    ),
    test="",
)
def send_command(call: Call) -> Steps:
    """Send a command about a message to the service centre: its octets, or its fields and data."""
    refuse_unusable(call)
    number = call.number("length_or_fo")
    if call.session.messages.mode:
        what = call.number("ct")
        recipient = _recipient(call, call.text("da") or "", may_lack=True)
        text = yield from _prompt(call, again=True)
        if text is None:
            return
        octets = Command(
            flags=number & ~KIND,
            pid=call.number("pid"),
            what=what,
            message=call.number("mn"),
            recipient=recipient,
            data=octets_of("".join(text.split())),
        ).encode()
        pdu = MessagePdu(None, octets)
    else:
        text = yield from _prompt(call, again=False)
        if text is None:
            return
        pdu = _read(call, text, number)
        if not isinstance(_checked(pdu.tpdu, Status.UNSENT), Command):
            raise MessageError(INVALID_PDU)
    reference = yield from _send(call, pdu)
    call.say(f"+CMGC: {reference}")


@command(
    "+CMMS",
    standard=TS27005,
    clause="3.5.6",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="n", high=ALWAYS, default=0),),
)
def more_to_send(call: Call) -> None:
    """Keep the link for messages that follow: no (0), as long as each follows in time (1), always (2)."""
    link = call.modem.messages.link
    if call.form is Form.READ:
        call.say(f"+CMMS: {link.stays_open}")
    else:
        link.stays_open = call.number("n")


# -- writing --------------------------------------------------------------------


@command(
    "+CMGW",
    standard=TS27005,
    clause="3.5.3",
    forms=(Form.ACTION, Form.SET),
    parameters=(
        Text(name="da", longest=LONGEST_NUMBER, bare=True, optional=True),
        Text(name="toda", longest=3, bare=True, optional=True),
        Text(name="stat", longest=12, optional=True),
    ),
    test="",
)
def write(call: Call) -> Steps:
    """Put a message, prompted for, into store, as unsent or as another status (also 4.4)."""
    refuse_unusable(call)
    if call.session.messages.mode:
        stored = yield from _write_text(call)
    else:
        stored = yield from _write_pdu(call)
    if stored is None:
        return
    messages = call.modem.messages
    try:
        call.say(f"+CMGW: {messages.add(messages.memory(1), stored)}")
    except StoreFullError:
        raise MessageError(FULL) from None


def _write_text(call: Call) -> Generator[int | Prompt, None, Stored | None]:
    values = call.values if call.form is Form.SET else {}
    number, kind, words = (values.get(name) for name in ("da", "toda", "stat"))
    if kind is not None and not (str(kind).isascii() and str(kind).isdigit()):
        raise CommandError
    status = STATUS_BY_WORDS.get(str(words)) if words is not None else Status.UNSENT
    if status is None:
        raise MessageError(INVALID_TEXT)
    other = _address(call, str(number or ""), None if kind is None else int(kind), may_lack=True)
    text = yield from _prompt(call, again=True)
    if text is None:
        return None
    if not status.is_received:
        return Stored(MessagePdu(None, submitted(call.session, other, text)), status)
    parameters = call.session.messages.parameters
    message = Deliver(
        sender=other,
        stamp=call.modem.registration.network_now(),
        data=user_data(call.session, text),
        pid=parameters.pid,
        dcs=parameters.dcs,
    )
    return Stored(MessagePdu(call.modem.messages.centre_address, message.encode()), status)


def _write_pdu(call: Call) -> Generator[int | Prompt, None, Stored | None]:
    if call.form is Form.ACTION or call.values["stat"] is not None:
        raise CommandError
    length, number = _length(call.text("da")), call.text("toda") or str(Status.UNSENT.number)
    status = STATUS_BY_NUMBER.get(int(number)) if number.isascii() and number.isdigit() else None
    if status is None:
        raise MessageError(INVALID_PDU)
    text = yield from _prompt(call, again=False)
    if text is None:
        return None
    pdu = _read(call, text, length)
    _checked(pdu.tpdu, status)
    return Stored(pdu, status)


# -- what they share --------------------------------------------------------------


def _prompt(call: Call, *, again: bool) -> Generator[int | Prompt, None, str | None]:
    """What is entered after the prompt; None where it was given up."""
    ways = call.modem.module.profile.messages
    if ways.prompt_s:
        yield ns(ways.prompt_s)
    prompt = Prompt(again=again)
    yield prompt
    if prompt.text is None and ways.quirks.cancel_is_error:
        raise CommandError
    return prompt.text


def _send(call: Call, pdu: MessagePdu) -> Generator[Awaited, None, int]:
    """Send a message and wait for the network: its reference; raises MessageError."""
    found: list[Sent] = []
    awaited = Awaited(_LIMIT_NS)

    def settled(sent: Sent) -> None:
        found.append(sent)
        awaited.come()

    call.modem.messages.send(pdu.tpdu, pdu.centre, settled)
    if not found:
        yield awaited
    if not found:
        raise MessageError(TIMEOUT)
    if found[0].error is not None:
        raise MessageError(found[0].error)
    return found[0].reference


def _length(written: str | None) -> int:
    if written is None or not (written.isascii() and written.isdigit()):
        raise CommandError
    length = int(written)
    if not _SHORTEST <= length <= _LONGEST:
        raise MessageError(INVALID_PDU)
    return length


def _read(call: Call, text: str, length: int) -> MessagePdu:
    """The message that was entered as octets; raises MessageError."""
    digits = "".join(text.split())
    try:
        if call.modem.module.profile.messages.quirks.forgives_pdu:
            return read_pdu(digits[: len(digits) // 2 * 2])
        return read_pdu(digits, length=length)
    except PduError:
        raise MessageError(INVALID_PDU) from None


def _checked(octets: bytes, status: Status) -> object:
    """What the octets say; raises MessageError where it makes no sense."""
    try:
        return decode_to_phone(octets) if status.is_received else decode_from_phone(octets)
    except PduError:
        raise MessageError(INVALID_PDU) from None


def _recipient(call: Call, text: str, *, may_lack: bool = False) -> Address:
    kind = call.values["toda"]
    return _address(call, text, kind if isinstance(kind, int) else None, may_lack=may_lack)


def _address(call: Call, text: str, kind: int | None, *, may_lack: bool) -> Address:
    if not text and not may_lack:
        raise MessageError(INVALID_TEXT)
    return read_address(call, text, kind) if text else Address("", UNKNOWN)


def _with_recipient(message: Submit, recipient: Address) -> Submit:
    return Submit(
        reference=message.reference,
        recipient=recipient,
        data=message.data,
        pid=message.pid,
        dcs=message.dcs,
        validity=message.validity,
        is_enhanced=message.is_enhanced,
        flags=message.flags,
    )
