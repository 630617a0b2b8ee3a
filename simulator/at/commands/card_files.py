"""The card's files (3GPP TS 27.007 8.18)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.errors import CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Number, Text, command
from simulator.card.files import Request, access

from .card import refuse_unusable

if TYPE_CHECKING:
    from simulator.at.call import Call

_OCTET, _FILE, _LONGEST = 255, 65535, 510
_INSTRUCTIONS: Final = (176, 178, 192, 203, 214, 219, 220, 242)


@command(
    "+CRSM",
    standard="3GPP TS 27.007",
    clause="8.18",
    forms=(Form.SET,),
    parameters=(
        Number(name="command", high=_OCTET, allowed=_INSTRUCTIONS),
        Number(name="fileid", high=_FILE, default=0),
        Number(name="P1", high=_OCTET, default=0),
        Number(name="P2", high=_OCTET, default=0),
        Number(name="P3", high=_OCTET, default=0),
        Text(name="data", longest=_LONGEST, optional=True, bare=True),
        Text(name="pathid", longest=32, optional=True),
    ),
    test="",
)
def restricted_access(call: Call) -> None:
    """Read or update one of the card's files; the answer is the card's own status word and bytes."""
    refuse_unusable(call)
    try:
        data = bytes.fromhex(call.text("data") or "")
    except ValueError:
        raise CommandError from None
    place = call.number("P1") << 8 | call.number("P2")
    request = Request(
        instruction=call.number("command"),
        file=call.number("fileid"),
        place=place,
        length=call.number("P3"),
        data=data,
    )
    answer = access(call.modem.card, request)
    status = f"+CRSM: {answer.sw >> 8},{answer.sw & _OCTET}"
    call.say(f'{status},"{answer.data.hex().upper()}"' if answer.data else status)
