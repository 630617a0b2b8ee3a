"""The module's clock (3GPP TS 27.007 8.15, 8.40, 8.41)."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from typing import TYPE_CHECKING, Final

from simulator.at.errors import CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Number, Text, command

if TYPE_CHECKING:
    from simulator.at.call import Call

_TS27007 = "3GPP TS 27.007"

_CLOCK: Final = re.compile(r"(\d\d)/(\d\d)/(\d\d),(\d\d):(\d\d):(\d\d)(?:([+-])(\d\d))?")
# Two-digit years count from here to 2079 (common practice, no source: the epoch of satellite time is 1980).
_PIVOT_YEAR: Final = 80
_WIDEST_ZONE: Final = 96


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


@command(
    "+CTZU",
    standard=_TS27007,
    clause="8.40",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="onoff", high=1, default=0),),
)
def time_from_network(call: Call) -> None:
    """Whether the network's time and zone set the clock."""
    module_clock = call.modem.module.clock
    if call.form is Form.READ:
        call.say(f"+CTZU: {int(module_clock.follows_network)}")
    else:
        module_clock.follows_network = bool(call.number("onoff"))


@command(
    "+CTZR",
    standard=_TS27007,
    clause="8.41",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="reporting", high=3, default=0),),
)
def zone_reporting(call: Call) -> None:
    """Report another zone by +CTZV (1), with local time by +CTZE (2), with UTC by +CTZEU (3), or not (0)."""
    if call.form is Form.READ:
        call.say(f"+CTZR: {call.session.zone_report}")
    else:
        call.session.zone_report = call.number("reporting")
