"""Level and registration (3GPP TS 27.007 7.2, 8.5, 10.1.22)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.grammar import Form
from simulator.at.registration_text import registration_text
from simulator.at.registry import Number, command

if TYPE_CHECKING:
    from simulator.at.call import Call

_TS27007 = "3GPP TS 27.007"
_UNKNOWN: Final = 99
_WEAKEST_DBM, _STRONGEST_INDEX = -113, 31


def level_index(rssi_dbm: float | None) -> int:
    """`<rssi>` of +CSQ: 0 for -113 dBm or less, steps of 2 dB, 31 for -51 dBm or more, 99 not known."""
    if rssi_dbm is None:
        return _UNKNOWN
    return min(max(int((rssi_dbm - _WEAKEST_DBM) // 2), 0), _STRONGEST_INDEX)


@command("+CSQ", standard=_TS27007, clause="8.5", forms=(Form.ACTION,), test="(0-31,99),(0-7,99)")
def signal_quality(call: Call) -> None:
    """Received level, and bit errors (not known here)."""
    call.say(f"+CSQ: {level_index(call.modem.registration.rssi_dbm)},{_UNKNOWN}")


@command(
    "+CREG",
    standard=_TS27007,
    clause="7.2",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="n", high=3, default=0),),
)
def registration(call: Call) -> None:
    """Registration with the network; <n> reports changes, with location and reject cause."""
    if call.form is Form.READ:
        level = call.session.registration_report
        found = call.modem.registration
        call.say(f"+CREG: {level},{registration_text(found, level, found.stat)}")
    else:
        call.session.registration_report = call.number("n")


@command(
    "+CEREG",
    standard=_TS27007,
    clause="10.1.22",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="n", high=3, default=0),),
)
def packet_registration(call: Call) -> None:
    """Registration for packet service in E-UTRAN; <n> as in +CREG."""
    if call.form is Form.READ:
        level = call.session.packet_registration_report
        found = call.modem.registration
        call.say(f"+CEREG: {level},{registration_text(found, level, found.stat)}")
    else:
        call.session.packet_registration_report = call.number("n")
