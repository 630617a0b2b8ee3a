"""Errors, functionality and clock (3GPP TS 27.007 8.2, 8.15, 9.1)."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import partial
from typing import TYPE_CHECKING, Final

from simulator.at.errors import CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Number, Text, command
from simulator.module.radio import FULL, MINIMUM, SILENT

if TYPE_CHECKING:
    from simulator.at.call import Call
    from simulator.at.registry import Steps

_TS27007 = "3GPP TS 27.007"

_CLOCK: Final = re.compile(r"(\d\d)/(\d\d)/(\d\d),(\d\d):(\d\d):(\d\d)(?:([+-])(\d\d))?")
# Two-digit years count from here to 2079 (common practice, no source: the epoch of satellite time is 1980).
_PIVOT_YEAR: Final = 80
_WIDEST_ZONE: Final = 96


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


@command(
    "+CCLK",
    standard=_TS27007,
    clause="8.15",
    forms=(Form.SET, Form.READ),
    parameters=(Text(name="time", longest=20),),
)
def clock(call: Call) -> None:
    """Local time and zone in quarters of an hour: "yy/MM/dd,hh:mm:ss+zz"."""
    module_clock = call.modem.module.clock
    if call.form is Form.READ:
        local, quarters = module_clock.now()
        call.say(f'+CCLK: "{local:%y/%m/%d,%H:%M:%S}{quarters:+03d}"')
        return
    found = _CLOCK.fullmatch(call.text("time") or "")
    if found is None:
        raise CommandError
    year, month, day, hour, minute, second = (int(found[group]) for group in range(1, 7))
    quarters = int(f"{found[7]}{found[8]}") if found[7] else module_clock.quarters
    century = 1900 if year >= _PIVOT_YEAR else 2000
    try:
        local = datetime(century + year, month, day, hour, minute, second, tzinfo=UTC)
    except ValueError as impossible:
        raise CommandError from impossible
    if abs(quarters) > _WIDEST_ZONE:
        raise CommandError
    module_clock.set_utc(local - timedelta(minutes=15 * quarters), quarters)
