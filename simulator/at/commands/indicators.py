"""Indicators, asked for and reported (3GPP TS 27.007 8.9, 8.10)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.grammar import Form
from simulator.at.indicators import INDICATORS
from simulator.at.registry import Number, command

if TYPE_CHECKING:
    from simulator.at.call import Call

_TS27007 = "3GPP TS 27.007"
_RANGES: Final = ",".join(f'("{name}",(0-{high}))' for name, high in INDICATORS)


@command("+CIND", standard=_TS27007, clause="8.9", forms=(Form.READ,), test=_RANGES)
def indicators(call: Call) -> None:
    """The indicators' values: level in bars, service, roaming, unread messages, a full store."""
    call.say("+CIND: " + ",".join(map(str, call.modem.indicators.values())))


@command(
    "+CMER",
    standard=_TS27007,
    clause="8.10",
    forms=(Form.SET, Form.READ),
    parameters=(
        Number(name="mode", high=3, default=0),
        Number(name="keyp", high=0, default=0),
        Number(name="disp", high=0, default=0),
        Number(name="ind", high=2, default=0),
        Number(name="bfr", high=1, default=0),
    ),
)
def event_reporting(call: Call) -> None:
    """Report indicators that change (<mode> 1 to 3, <ind> 1 or 2), or keep them for later (<mode> 0)."""
    session = call.session
    if call.form is Form.READ:
        call.say(f"+CMER: {session.event_mode},0,0,{session.event_indicators},{session.event_buffer}")
        return
    kept, session.events_kept = session.events_kept, []
    session.event_mode, session.event_indicators = call.number("mode"), call.number("ind")
    session.event_buffer = call.number("bfr")
    if session.event_mode and session.event_buffer:
        # <bfr> 1: what was kept is flushed when reporting begins.
        call.flush_afterwards(kept)
