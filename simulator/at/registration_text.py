"""How a registration reads in +CREG and +CEREG, read or unsolicited."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.network.registration import Registration


def registration_text(registration: Registration, level: int, stat: int) -> str:
    """`<stat>` with location (*level* 2) and reject cause (3), as TS 27.007 7.2 and 10.1.22 write them."""
    if level >= 2 and registration.is_registered:  # noqa: PLR2004 # <n>
        return f'{stat},"{registration.area}","{registration.cell_id}",{registration.act}'
    if level >= 3 and registration.reject_cause is not None:  # noqa: PLR2004 # <n>
        return f"{stat},,,,0,{registration.reject_cause}"
    return str(stat)
