"""How a registration reads in +CREG, +CGREG and +CEREG, read or unsolicited (TS 27.007 7.2, 10.1)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.network.stat import Domain, Place, place_of, stat_of

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.network.registration import Registration

    from .session import Session

# From these `<n>` on location and reject cause are told.  Levels 4 and 5 add the timers of power saving,
# which are left out while none are in force: they read as 2 and 3.
_LOCATION, _CAUSE, _NO_CAUSE = 2, 3, 4
# The largest `<n>` of each report.
LEVELS: Final = {Domain.CIRCUIT: 3, Domain.GPRS: 5, Domain.EPS: 5}


def registration_text(registration: Registration, domain: Domain, level: int) -> str:
    """`<stat>` with location and, unless registered, the 3GPP cause of the refusal."""
    stat, place = stat_of(registration, domain), place_of(registration, domain)
    if level >= _LOCATION and place is not None:
        return f'{stat},"{place.area}","{place.cell}",{place.technology}'
    if level >= _CAUSE and level != _NO_CAUSE and registration.reject_cause is not None:
        return f"{stat},,,,0,{registration.reject_cause}"
    return str(stat)


class RegistrationReports:
    """Tells what has changed to those whose reports ask for it: `<stat>`, and from 2 on the place."""

    def __init__(
        self,
        registration: Registration,
        unsolicited: Callable[[str, Callable[[Session], bool]], None],
    ) -> None:
        self._registration, self._unsolicited = registration, unsolicited
        self._seen = {domain: self._now(domain) for domain in Domain}
        registration.changed.listen(lambda _: self._review())

    def _now(self, domain: Domain) -> tuple[int, Place | None]:
        return stat_of(self._registration, domain), place_of(self._registration, domain)

    def _review(self) -> None:
        for domain in Domain:
            before, now = self._seen[domain], self._now(domain)
            if now == before:
                continue
            self._seen[domain] = now
            first = 1 if now[0] != before[0] else _LOCATION
            for level in range(first, LEVELS[domain] + 1):
                text = registration_text(self._registration, domain, level)
                self._unsolicited(f"{domain.value}: {text}", _wants(domain, level))


def _wants(domain: Domain, level: int) -> Callable[[Session], bool]:
    return lambda session: session.registration_reports[domain] == level
