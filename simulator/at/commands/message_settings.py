"""What messages are kept, written, sent and told with (3GPP TS 27.005 3.2, 3.3, 3.4.1)."""

from __future__ import annotations

import re
from dataclasses import replace
from typing import TYPE_CHECKING, Final

from simulator.at.errors import CommandError, MessageError
from simulator.at.grammar import Form
from simulator.at.message_lines import address_text, kind_of
from simulator.at.message_settings import PDU, TEXT
from simulator.at.registry import Choice, Number, Text, command
from simulator.at.terminal_text import from_terminal
from simulator.codec.addresses import INTERNATIONAL, UNKNOWN, Address
from simulator.messages.causes import INVALID_TEXT, card_refusal
from simulator.messages.messages import BOTH, IN_MODULE, OF_REPORTS
from simulator.messages.on_card import ON_CARD
from simulator.messages.routing import Routing

if TYPE_CHECKING:
    from simulator.at.call import Call

TS27005: Final = "3GPP TS 27.005"

# Digits as a string parameter may write them, in the character set with the longest spelling.
LONGEST_NUMBER: Final = 84
_INSTANT: Final = re.compile(r"\d\d/\d\d/\d\d,\d\d:\d\d:\d\d[+-]\d\d")
_ENHANCED: Final = re.compile(r"[0-9A-F]{14}")


def refuse_unusable(call: Call) -> None:
    """Raise MessageError where card or store cannot be used now."""
    code = call.modem.messages.refusal
    if code is not None:
        raise MessageError(code)


def read_address(call: Call, text: str, kind: int | None) -> Address:
    """The number that the terminal has written; raises MessageError where it is none."""
    try:
        number = from_terminal(text, call.session.character_set)
        if kind is None:
            kind = INTERNATIONAL if number.startswith("+") else UNKNOWN
        elif kind == INTERNATIONAL and number and not number.startswith("+"):
            number = f"+{number}"
        return Address(number, kind)
    except ValueError:
        raise MessageError(INVALID_TEXT) from None


@command(
    "+CSMS",
    standard=TS27005,
    clause="3.2.1",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="service", high=1),),
)
def service(call: Call) -> None:
    """Phase 2 (0), or phase 2+ (1), where messages that are handed out want +CNMA."""
    messages = call.modem.messages
    if call.form is Form.READ:
        call.say(f"+CSMS: {messages.service},1,1,0")
    else:
        messages.service = call.number("service")
        call.say("+CSMS: 1,1,0")


@command(
    "+CPMS",
    standard=TS27005,
    clause="3.2.2",
    forms=(Form.SET, Form.READ),
    parameters=(
        Choice(name="mem1", allowed=(ON_CARD, IN_MODULE, BOTH, OF_REPORTS)),
        Choice(name="mem2", allowed=(ON_CARD, IN_MODULE, BOTH), optional=True),
        Choice(name="mem3", allowed=(ON_CARD, IN_MODULE, BOTH), optional=True),
    ),
)
def stores(call: Call) -> None:
    """The stores for reading and deleting, for writing and sending, for what comes; used and all places."""
    refuse_unusable(call)
    messages = call.modem.messages
    if call.form is Form.SET:
        for place, name in enumerate(("mem1", "mem2", "mem3")):
            messages.memories[place] = call.text(name) or messages.memories[place]
        messages.changed.announce(None)
    named = call.form is Form.READ
    counts = (
        (f'"{name}",' if named else "") + f"{messages.stores[name].used},{messages.stores[name].capacity}"
        for name in messages.memories
    )
    call.say("+CPMS: " + ",".join(counts))


@command(
    "+CMGF",
    standard=TS27005,
    clause="3.2.3",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="mode", high=TEXT, default=PDU),),
)
def message_format(call: Call) -> None:
    """Messages as octets (0), or as text (1)."""
    if call.form is Form.READ:
        call.say(f"+CMGF: {call.session.messages.mode}")
    else:
        call.session.messages.mode = call.number("mode")


@command(
    "+CSCA",
    standard=TS27005,
    clause="3.3.1",
    forms=(Form.SET, Form.READ),
    parameters=(
        Text(name="sca", longest=LONGEST_NUMBER),
        Number(name="tosca", low=128, high=255, optional=True),
    ),
    test="",
)
def centre_address(call: Call) -> None:
    """The service centre's number, kept on the card."""
    messages = call.modem.messages
    code = card_refusal(call.modem.card)
    if code is not None:
        raise MessageError(code)
    if call.form is Form.READ:
        address = messages.centre_address
        call.say(f"+CSCA: {address_text(call.session, address)},{kind_of(address)}")
        return
    kind = call.values["tosca"]
    messages.centre_address = read_address(
        call, call.text("sca") or "", kind if isinstance(kind, int) else None
    )


@command(
    "+CSMP",
    standard=TS27005,
    clause="3.3.2",
    forms=(Form.SET, Form.READ),
    parameters=(
        Number(name="fo", high=255, optional=True),
        Text(name="vp", longest=20, bare=True, optional=True),
        Number(name="pid", high=255, optional=True),
        Number(name="dcs", high=255, optional=True),
    ),
    test="",
)
def text_parameters(call: Call) -> None:
    """First octet, validity, protocol and coding of what is written in text mode; left out, each stays."""
    settings = call.session.messages
    parameters = settings.parameters
    if call.form is Form.READ:
        validity = parameters.validity
        shown = validity if validity.isdigit() and len(validity) < 4 else f'"{validity}"'  # noqa: PLR2004 # an octet
        call.say(f"+CSMP: {parameters.first_octet},{shown},{parameters.pid},{parameters.dcs}")
        return
    given = {
        field: call.values[name]
        for field, name in (("first_octet", "fo"), ("validity", "vp"), ("pid", "pid"), ("dcs", "dcs"))
        if call.values[name] is not None
    }
    written = str(given.get("validity", parameters.validity))
    is_octet = written.isascii() and written.isdigit() and int(written) <= 255  # noqa: PLR2004 # an octet
    if not is_octet and not _INSTANT.fullmatch(written) and not _ENHANCED.fullmatch(written):
        raise CommandError
    settings.parameters = replace(parameters, **given)  # type: ignore[arg-type] # as declared


@command(
    "+CSDH",
    standard=TS27005,
    clause="3.3.3",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="show", high=1, default=0),),
)
def headers(call: Call) -> None:
    """Whether text mode shows all of a message's header."""
    if call.form is Form.READ:
        call.say(f"+CSDH: {int(call.session.messages.shows_headers)}")
    else:
        call.session.messages.shows_headers = bool(call.number("show"))


@command(
    "+CSAS",
    standard=TS27005,
    clause="3.3.5",
    forms=(Form.ACTION, Form.SET),
    parameters=(Number(name="profile", high=0, default=0),),
)
def save(call: Call) -> None:
    """Keep what +CSCA and +CSMP have set."""
    refuse_unusable(call)
    call.modem.messages.save(call.session.messages.parameters)


@command(
    "+CRES",
    standard=TS27005,
    clause="3.3.6",
    forms=(Form.ACTION, Form.SET),
    parameters=(Number(name="profile", high=0, default=0),),
)
def restore(call: Call) -> None:
    """Bring back what +CSAS has kept."""
    refuse_unusable(call)
    call.session.messages.parameters = call.modem.messages.restore()


@command(
    "+CNMI",
    standard=TS27005,
    clause="3.4.1",
    forms=(Form.SET, Form.READ),
    parameters=(
        Number(name="mode", high=3, default=0),
        Number(name="mt", high=3, default=0),
        Number(name="bm", high=3, default=0),  # no broadcast ever comes
        Number(name="ds", high=2, default=0),
        Number(name="bfr", high=1, default=0),
    ),
)
def indications(call: Call) -> None:
    """Where messages go that come: kept and told, or handed out, or neither; lines sent or kept back."""
    settings = call.session.messages
    routing = settings.routing
    if call.form is Form.READ:
        call.say(
            f"+CNMI: {routing.mode},{routing.messages},{routing.broadcasts},{routing.reports},"
            f"{int(routing.clears)}"
        )
        return
    settings.routing = Routing(
        mode=call.number("mode"),
        messages=call.number("mt"),
        broadcasts=call.number("bm"),
        reports=call.number("ds"),
        clears=bool(call.number("bfr")),
    )
    if settings.routing.mode:
        if not settings.routing.clears:
            call.flush_afterwards(list(settings.kept))
        settings.kept.clear()
