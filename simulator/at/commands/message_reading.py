"""Messages listed, read, deleted and acknowledged (3GPP TS 27.005 3.4, 3.5.4, 4.1, 4.2)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.entry import Prompt
from simulator.at.errors import MessageError
from simulator.at.grammar import Form
from simulator.at.message_lines import listed, shown
from simulator.at.registry import Number, Text, command
from simulator.messages.causes import (
    INVALID_INDEX,
    INVALID_PDU,
    INVALID_TEXT,
    NO_ACKNOWLEDGEMENT_EXPECTED,
    NOT_ALLOWED,
)
from simulator.messages.store import STATUS_BY_NUMBER, STATUS_BY_WORDS, Status

from .message_settings import TS27005, refuse_unusable

if TYPE_CHECKING:
    from simulator.at.call import Call
    from simulator.at.registry import Steps

_INDEX: Final = Number(name="index", high=65535)
_ALL: Final = 4
# What <delflag> 1 to 4 delete (3.5.4).
_DELETED: Final = {
    1: {Status.READ},
    2: {Status.READ, Status.SENT},
    3: {Status.READ, Status.SENT, Status.UNSENT},
    _ALL: set(Status),
}
# TS 24.011 E.2: what a message is refused with by +CNMA=2.
_UNSPECIFIED: Final = 111


@command(
    "+CMGL",
    standard=TS27005,
    clause="3.4.2",
    forms=(Form.ACTION, Form.SET, Form.TEST),
    parameters=(Text(name="stat", longest=12, bare=True, optional=True),),
)
def list_messages(call: Call) -> None:
    """Messages of one status, or all; unread ones are read then (also 4.1)."""
    is_text = bool(call.session.messages.mode)
    if call.form is Form.TEST:
        words = ",".join(f'"{status.words}"' for status in Status)
        call.say(f'+CMGL: ({words},"ALL")' if is_text else f"+CMGL: (0-{_ALL})")
        return
    refuse_unusable(call)
    wanted = _wanted(call.text("stat"), is_text=is_text)
    messages, shown_now = call.modem.messages, []
    for index, stored in messages.memory(0):
        if wanted is None or stored.status is wanted:
            call.lines += listed(call.session, index, stored)
            shown_now.append(stored)
    messages.mark_read(shown_now)


def _wanted(written: str | None, *, is_text: bool) -> Status | None:
    """The status asked for; None for all."""
    if written is None:
        return Status.UNREAD
    if is_text:
        if written == "ALL":
            return None
        if written in STATUS_BY_WORDS:
            return STATUS_BY_WORDS[written]
        raise MessageError(INVALID_TEXT)
    if written.isascii() and written.isdigit() and len(written) == 1 and int(written) <= _ALL:
        return STATUS_BY_NUMBER.get(int(written))
    raise MessageError(INVALID_PDU)


@command("+CMGR", standard=TS27005, clause="3.4.3", forms=(Form.SET,), parameters=(_INDEX,), test="")
def read_message(call: Call) -> None:
    """One message; an unread one is read then (also 4.2)."""
    refuse_unusable(call)
    stored = call.modem.messages.memory(0).get(call.number("index"))
    if stored is None:
        raise MessageError(INVALID_INDEX)
    call.lines += shown(call.session, stored)
    call.modem.messages.mark_read((stored,))


@command(
    "+CMGD",
    standard=TS27005,
    clause="3.5.4",
    forms=(Form.SET, Form.TEST),
    parameters=(_INDEX, Number(name="delflag", high=_ALL, default=0)),
)
def delete(call: Call) -> None:
    """Delete one message, or all of some statuses."""
    messages = call.modem.messages
    store = messages.memory(0)
    if call.form is Form.TEST:
        indexes = "" if messages.refusal else ",".join(str(index) for index, _ in store)
        call.say(f"+CMGD: ({indexes}),(0-{_ALL})")
        return
    refuse_unusable(call)
    index, flag = call.number("index"), call.number("delflag")
    if flag:
        for place, stored in list(store):
            if stored.status in _DELETED[flag]:
                messages.delete(store, place)
    elif store.has_place(index):
        messages.delete(store, index)
    else:
        raise MessageError(INVALID_INDEX)


@command(
    "+CNMA",
    standard=TS27005,
    clause="3.4.4",
    forms=(Form.ACTION, Form.SET, Form.TEST),
    parameters=(Number(name="n", high=2, default=0), Number(name="length", high=164, optional=True)),
)
def acknowledge(call: Call) -> Steps | None:
    """A message that was handed out has been taken (0, 1), or is refused (2)."""
    if call.form is Form.TEST:
        if not call.session.messages.mode:
            call.say("+CNMA: (0-2)")
        return None
    if not call.modem.messages.service:
        raise MessageError(NOT_ALLOWED)
    if not call.modem.messages.waits_for_terminal:
        raise MessageError(NO_ACKNOWLEDGEMENT_EXPECTED)
    if call.form is Form.SET and call.session.messages.mode:
        raise MessageError(INVALID_TEXT)
    number = call.number("n") if call.form is Form.SET else 0
    if call.form is Form.SET and call.values["length"] is not None:
        return _acknowledge_with(call, number, call.number("length"))
    call.modem.messages.acknowledge(_UNSPECIFIED if number == 2 else None)  # noqa: PLR2004 # <n>
    return None


def _acknowledge_with(call: Call, number: int, length: int) -> Steps:
    """The acknowledgement has a message of its own (TS 23.040 9.2.2.1a), of which only the length counts."""
    prompt = Prompt(again=False)
    yield prompt
    if prompt.text is None:
        return
    digits = "".join(prompt.text.split())
    try:
        octets = bytes.fromhex(digits)
    except ValueError:
        raise MessageError(INVALID_PDU) from None
    if len(octets) != length:
        raise MessageError(INVALID_PDU)
    call.modem.messages.acknowledge(_UNSPECIFIED if number == 2 else None)  # noqa: PLR2004 # <n>
