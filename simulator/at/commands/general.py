"""Errors, functionality and what there is (3GPP TS 27.007 6.10, 8.1, 8.2, 8.37, 9.1)."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from simulator.at.grammar import Form
from simulator.at.registry import Number, command
from simulator.module.radio import FULL, MINIMUM, SILENT
from simulator.network.causes import text_of

if TYPE_CHECKING:
    from simulator.at.call import Call
    from simulator.at.registry import Steps

_TS27007 = "3GPP TS 27.007"

# `<pas>` of 8.1.
READY, ASLEEP = 0, 5


@command(
    "+CMEE",
    standard=_TS27007,
    clause="9.1",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="n", high=2, default=0),),
)
def error_level(call: Call) -> None:
    """Errors plain (0), with their number (1) or in words (2)."""
    if call.form is Form.READ:
        call.say(f"+CMEE: {call.session.error_level}")
    else:
        call.session.error_level = call.number("n")


@command(
    "+CFUN",
    standard=_TS27007,
    clause="8.2",
    forms=(Form.SET, Form.READ),
    parameters=(
        Number(name="fun", high=4, allowed=(MINIMUM, FULL, SILENT), default=FULL),
        Number(name="rst", high=1, default=0),
    ),
)
def functionality(call: Call) -> Steps | None:
    """Minimum (0), full (1), radios off (4); <rst> 1 restarts the module."""
    radio = call.modem.module.radio
    if call.form is Form.READ:
        call.say(f"+CFUN: {radio.functionality}")
        return None
    return _set_functionality(call, call.number("fun"), restart=bool(call.number("rst")))


def _set_functionality(call: Call, wanted: int, *, restart: bool) -> Steps:
    module = call.modem.module
    if restart:
        call.afterwards.append(partial(module.power.restart, "command"))
        return
    if wanted == module.radio.requested == module.radio.functionality:
        return
    yield module.draws.draw_ns("functionality", module.profile.delays.functionality_s)
    module.radio.request(wanted)


@command("+CPAS", standard=_TS27007, clause="8.1", forms=(Form.ACTION,), test="(0,5)")
def activity(call: Call) -> None:
    """Ready (0), or asleep (5) while the radios are off."""
    call.say(f"+CPAS: {READY if call.modem.module.radio.functionality == FULL else ASLEEP}")


@command("+CEER", standard=_TS27007, clause="6.10", forms=(Form.ACTION,))
def last_refusal(call: Call) -> None:
    """Why the network refused the last registration, in words of the maker's own."""
    cause = call.modem.registration.reject_cause
    if cause is None:
        call.say("+CEER: no refusal")
    else:
        words = f" ({text})" if (text := text_of(cause)) else ""
        call.say(f"+CEER: registration refused, cause {cause}{words}")


@command("+CLAC", standard=_TS27007, clause="8.37", forms=(Form.ACTION,))
def all_commands(call: Call) -> None:
    """Every command there is, one a line."""
    for name in call.modem.command_names:
        call.say(f"AT{name}")
