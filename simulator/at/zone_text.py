"""How a time zone reads in the reports of +CTZR (3GPP TS 27.007 8.41; quotes and formats from memory)."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from simulator.network.network_time import NetworkTime

_TIME: Final = "%Y/%m/%d,%H:%M:%S"


def zone_text(told: NetworkTime, level: int) -> str:
    """The unsolicited line for *level* 1 to 3: zone; zone, daylight saving, local time; the same with UTC."""
    zone = f'"{told.quarters:+03d}"'
    if level == 1:
        return f"+CTZV: {zone}"
    if level == 2:  # noqa: PLR2004 # <reporting>
        local = told.utc + timedelta(minutes=15 * told.quarters)
        return f'+CTZE: {zone},{told.dst_hours},"{local:{_TIME}}"'
    return f'+CTZEU: {zone},{told.dst_hours},"{told.utc:{_TIME}}"'
