"""A registration in, `<stat>` of each domain out (3GPP TS 27.007 7.2, 10.1.20, 10.1.22)."""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Final, NamedTuple

from .states import Registered

if TYPE_CHECKING:
    from .registration import Registration
    from .settings import CellSettings


class Domain(Enum):
    """Whose registration is asked for."""

    CIRCUIT = "+CREG"
    GPRS = "+CGREG"
    EPS = "+CEREG"


NOT_REGISTERED, HOME, SEARCHING, DENIED, ROAMING = 0, 1, 2, 3, 5
MESSAGES_HOME, MESSAGES_ROAMING = 6, 7

_UNREGISTERED: Final = {
    Registered.IDLE: NOT_REGISTERED,
    Registered.SEARCHING: SEARCHING,
    Registered.ATTACHING: SEARCHING,
    Registered.WAITING: SEARCHING,
    Registered.DENIED: DENIED,
}


class Place(NamedTuple):
    """Where the module is registered: area and cell as hexadecimal digits, and `<AcT>`: 7 E-UTRAN, 0 GSM."""

    area: str
    cell: str
    technology: int


def stat_of(registration: Registration, domain: Domain) -> int:
    """`<stat>` in one domain.  A domain that the cell's technology does not have reads 0."""
    serving = registration.serving
    if serving is None:
        return _UNREGISTERED[registration.state]
    if _bars_packet(registration, serving.settings) and domain is not Domain.CIRCUIT:
        return DENIED
    if domain in _served(serving.settings):
        return HOME if registration.state is Registered.HOME else ROAMING
    if domain is Domain.CIRCUIT and serving.settings.registers == "messages":
        return MESSAGES_HOME if registration.state is Registered.HOME else MESSAGES_ROAMING
    return NOT_REGISTERED


def place_of(registration: Registration, domain: Domain) -> Place | None:
    """Where the module is registered in one domain; None where it is not."""
    serving = registration.serving
    if serving is None or stat_of(registration, domain) in (NOT_REGISTERED, DENIED):
        return None
    settings = serving.settings
    return Place(settings.area, settings.cell_id, 7 if settings.technology == "lte" else 0)


def _served(cell: CellSettings) -> tuple[Domain, ...]:
    if cell.technology == "lte":
        return (Domain.EPS, Domain.CIRCUIT) if cell.registers == "all" else (Domain.EPS,)
    served = {"all": (Domain.CIRCUIT, Domain.GPRS), "packet": (Domain.GPRS,), "circuit": (Domain.CIRCUIT,)}
    return served[cell.registers]


def _bars_packet(registration: Registration, cell: CellSettings) -> bool:
    """Whether a refusal bars packet service (causes 7 and 14), so that only 2G's circuits are left."""
    selection = registration.selection
    return selection.is_packet_invalid or cell.plmn in selection.packet_forbidden
