"""Registration and the connection's mode (3GPP TS 27.007 7.2, 10.1)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.errors import CommandError
from simulator.at.grammar import Form
from simulator.at.registration_text import LEVELS, registration_text
from simulator.at.registry import Number, command
from simulator.network.stat import HOME, ROAMING, Domain, stat_of

from .card import refuse_unready
from .operators import await_registration

if TYPE_CHECKING:
    from simulator.at.call import Call
    from simulator.at.registry import Steps

_TS27007 = "3GPP TS 27.007"
_ATTACHED: Final = (HOME, ROAMING)
_NO_SERVICE: Final = 30


def _report(call: Call, domain: Domain) -> None:
    reports = call.session.registration_reports
    if call.form is Form.READ:
        level = reports[domain]
        call.say(f"{domain.value}: {level},{registration_text(call.modem.registration, domain, level)}")
    else:
        reports[domain] = call.number("n")


def _level(domain: Domain) -> tuple[Number]:
    return (Number(name="n", high=LEVELS[domain], default=0),)


@command(
    "+CREG",
    standard=_TS27007,
    clause="7.2",
    forms=(Form.SET, Form.READ),
    parameters=_level(Domain.CIRCUIT),
)
def registration(call: Call) -> None:
    """Registration with the network; <n> reports changes, with location and reject cause."""
    _report(call, Domain.CIRCUIT)


@command(
    "+CGREG",
    standard=_TS27007,
    clause="10.1.20",
    forms=(Form.SET, Form.READ),
    parameters=_level(Domain.GPRS),
)
def gprs_registration(call: Call) -> None:
    """Registration for packet service in 2G; <n> as in +CREG."""
    _report(call, Domain.GPRS)


@command(
    "+CEREG",
    standard=_TS27007,
    clause="10.1.22",
    forms=(Form.SET, Form.READ),
    parameters=_level(Domain.EPS),
)
def packet_registration(call: Call) -> None:
    """Registration for packet service in E-UTRAN; <n> as in +CREG."""
    _report(call, Domain.EPS)


@command(
    "+CSCON",
    standard=_TS27007,
    clause="10.1.30",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="n", high=1, default=0),),
)
def connection(call: Call) -> None:
    """Whether there is a connection with the network (1) or none (0); <n> reports changes."""
    if call.form is Form.READ:
        connected = int(call.modem.registration.connection.is_connected)
        call.say(f"+CSCON: {call.session.connection_report},{connected}")
    else:
        call.session.connection_report = call.number("n")


@command(
    "+CGATT",
    standard=_TS27007,
    clause="10.1.9",
    forms=(Form.SET, Form.READ),
    parameters=(Number(name="state", high=1),),
)
def attach(call: Call) -> Steps | None:
    """Attach to packet service (1), or leave it (0)."""
    registration = call.modem.registration
    if call.form is Form.READ:
        is_attached = any(stat_of(registration, domain) in _ATTACHED for domain in (Domain.GPRS, Domain.EPS))
        call.say(f"+CGATT: {int(is_attached)}")
        return None
    if call.number("state"):
        return _attach(call)
    registration.detach()
    return None


def _attach(call: Call) -> Steps:
    refuse_unready(call)
    call.modem.registration.attach()
    yield from await_registration(call)
    if not call.modem.registration.is_registered:
        raise CommandError(_NO_SERVICE)
