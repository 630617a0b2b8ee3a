"""Levels (3GPP TS 27.007 8.5, 8.69)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.grammar import Form
from simulator.at.registry import command

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


def scale_index(value: float, *, lowest: float, step: float, top: int) -> int:
    """A scale of +CESQ: 0 below *lowest*, then one for each *step*, *top* at the end."""
    return min(max(int((value - lowest) // step) + 1, 0), top)


@command("+CSQ", standard=_TS27007, clause="8.5", forms=(Form.ACTION,), test="(0-31,99),(0-7,99)")
def signal_quality(call: Call) -> None:
    """Received level, and bit errors (not known here)."""
    call.say(f"+CSQ: {level_index(call.modem.registration.rssi_dbm)},{_UNKNOWN}")


@command(
    "+CESQ",
    standard=_TS27007,
    clause="8.69",
    forms=(Form.ACTION,),
    test="(0-63,99),(0-7,99),(0-96,255),(0-49,255),(0-34,255),(0-97,255)",
)
def extended_signal_quality(call: Call) -> None:
    """Received level of 2G, or quality and level of LTE's reference signals; the rest is unknown."""
    registration = call.modem.registration
    level, quality, power = 99, 255, 255
    cell, level_dbm = registration.camped, registration.level_dbm
    if cell is not None and level_dbm is not None:
        if cell.settings.technology == "2g":
            level = scale_index(level_dbm, lowest=-110, step=1, top=63)
        else:
            quality = scale_index(cell.settings.rsrq_db, lowest=-19.5, step=0.5, top=34)
            power = scale_index(level_dbm, lowest=-140, step=1, top=97)
    call.say(f"+CESQ: {level},99,255,255,{quality},{power}")
