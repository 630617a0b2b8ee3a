"""Choosing the operator (3GPP TS 27.007 7.3, 7.18)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.errors import CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Awaited, Number, Text, command
from simulator.kernel.timeline import ns
from simulator.module.radio import FULL
from simulator.network.selection import Mode
from simulator.network.states import Registered

from .card import refuse_unready

if TYPE_CHECKING:
    from simulator.at.call import Call
    from simulator.at.registry import Steps
    from simulator.network.air import Cell
    from simulator.network.settings import Technology

_TS27007 = "3GPP TS 27.007"

_FORMAT_ONLY, _MANUAL_THEN_AUTOMATIC = 3, 4
_LONG, _SHORT, _NUMERIC = 0, 1, 2
# How many operators the card's list of preferred ones holds.
_PLACES: Final = 20
# `<stat>` of 7.3.
_AVAILABLE, _CURRENT, _FORBIDDEN = 1, 2, 3
_TECHNOLOGY: Final[dict[int, Technology]] = {0: "2g", 7: "lte"}
_ACT: Final = {technology: number for number, technology in _TECHNOLOGY.items()}
# How long a choice by hand may take before the command gives up (common practice, no source).
_LIMIT_NS: Final = ns(180)
_NO_SERVICE, _NOT_ALLOWED, _NOT_FOUND, _INVALID_INDEX, _MEMORY_FULL = 30, 32, 22, 21, 20


def _name(cell: Cell, form: int) -> str:
    settings = cell.settings
    return {_LONG: settings.operator, _SHORT: settings.operator_short, _NUMERIC: settings.plmn}[form]


@command(
    "+COPS",
    standard=_TS27007,
    clause="7.3",
    forms=(Form.SET, Form.READ, Form.TEST),
    parameters=(
        Number(name="mode", high=4, default=0),
        Number(name="format", high=2, optional=True),
        Text(name="oper", longest=16, optional=True),
        Number(name="act", high=7, allowed=tuple(_TECHNOLOGY), optional=True),
    ),
    abortable=True,
)
def operator(call: Call) -> Steps | None:
    """Choose the operator by itself (0), by hand (1, 4), or none (2); =? looks for all, for minutes."""
    if call.form is Form.READ:
        _tell(call)
        return None
    if call.form is Form.TEST:
        return _scan(call)
    return _choose(call)


def _tell(call: Call) -> None:
    registration = call.modem.registration
    mode, form = registration.selection.mode, call.session.operator_format
    serving = registration.serving
    if serving is None:
        call.say(f"+COPS: {mode:d}")
    else:
        call.say(f'+COPS: {mode:d},{form},"{_name(serving, form)}",{_ACT[serving.settings.technology]}')


def _scan(call: Call) -> Steps:
    """Every network in reach once for each technology: home, those that the card prefers, the others."""
    modem = call.modem
    if modem.module.radio.functionality != FULL:
        raise CommandError(_NO_SERVICE)
    yield modem.module.draws.draw_ns("operator_scan", modem.module.profile.delays.operator_scan_s)
    registration = modem.registration
    found: dict[tuple[str, str], Cell] = {}
    for cell in sorted(registration.air.heard, key=registration.selection.rank):
        found.setdefault((cell.settings.plmn, cell.settings.technology), cell)
    texts = []
    for cell in found.values():
        settings, serving = cell.settings, registration.serving
        is_current = serving is not None and serving.settings.plmn == settings.plmn
        stat = _CURRENT if is_current and serving is not None else _AVAILABLE
        if registration.selection.is_forbidden(cell):
            stat = _FORBIDDEN
        act = _ACT[settings.technology]
        texts.append(f'({stat},"{settings.operator}","{settings.operator_short}","{settings.plmn}",{act})')
    call.say(f"+COPS: {','.join(texts)},,(0-4),(0-2)")


def _choose(call: Call) -> Steps | None:
    mode, oper = call.number("mode"), call.text("oper")
    form = call.session.operator_format if call.values["format"] is None else call.number("format")
    by_hand = mode in (Mode.MANUAL, _MANUAL_THEN_AUTOMATIC)
    if by_hand and oper is None:
        raise CommandError
    if mode == _FORMAT_ONLY:
        call.session.operator_format = form
        return None
    registration = call.modem.registration
    if mode == Mode.NONE:
        registration.choose(Mode.NONE)
        return None
    refuse_unready(call)
    if not by_hand:
        return _await_choice(call, Mode.AUTOMATIC) if call.modem.module.radio.functionality == FULL else None
    plmn = _plmn_of(call, oper or "", form)
    act = call.values["act"]
    technology = _TECHNOLOGY[act] if isinstance(act, int) else None
    call.session.operator_format = form
    return _await_choice(call, Mode.MANUAL, plmn, technology, falls_back=mode == _MANUAL_THEN_AUTOMATIC)


def _plmn_of(call: Call, oper: str, form: int) -> str:
    """The PLMN of an operator that is named in *form*; one that nobody knows is not found."""
    if form == _NUMERIC:
        if not (oper.isascii() and oper.isdigit() and len(oper) in (5, 6)):
            raise CommandError
        return oper
    for cell in call.modem.registration.air.cells.values():
        if _name(cell, form) == oper:
            return cell.settings.plmn
    raise CommandError(_NO_SERVICE)


def _await_choice(
    call: Call, mode: Mode, plmn: str = "", technology: Technology | None = None, *, falls_back: bool = False
) -> Steps:
    """Register as asked: the result comes once the module is registered, refused or at its wits' end."""
    registration = call.modem.registration
    registration.choose(mode, plmn, technology)
    is_hopeless = mode is Mode.MANUAL and registration.selection.best() is None
    if not is_hopeless:
        yield from await_registration(call)
    if registration.is_registered or mode is Mode.AUTOMATIC:
        return
    if falls_back:
        registration.choose(Mode.AUTOMATIC)
        return
    raise CommandError(_NOT_ALLOWED if registration.reject_cause is not None else _NO_SERVICE)


def await_registration(call: Call) -> Steps:
    """Wait until the module is registered, or tries no longer at present."""
    registration = call.modem.registration
    awaited = Awaited(_LIMIT_NS)

    def is_trying() -> bool:
        return registration.state in (Registered.SEARCHING, Registered.ATTACHING)

    def review(_: object) -> None:
        if not is_trying():
            awaited.come()

    if is_trying():
        registration.changed.listen(review)
        try:
            yield awaited
        finally:
            registration.changed.forget(review)


@command(
    "+CPOL",
    standard=_TS27007,
    clause="7.18",
    forms=(Form.SET, Form.READ, Form.TEST),
    parameters=(
        Number(name="index", low=1, high=_PLACES, optional=True),
        Number(name="format", high=2, optional=True),
        Text(name="oper", longest=16, optional=True),
    ),
)
def preferred_operators(call: Call) -> None:
    """The card's list of preferred operators; an <index> alone clears its entry."""
    if call.form is Form.TEST:
        call.say(f"+CPOL: (1-{_PLACES}),(0-2)")
        return
    card = call.modem.card
    refuse_unready(call)
    if call.form is Form.READ:
        for index, plmn in enumerate(card.preferred_plmns, 1):
            call.say(f'+CPOL: {index},{_NUMERIC},"{plmn}"')
    else:
        _prefer(call)


def _prefer(call: Call) -> None:
    preferred = call.modem.card.preferred_plmns
    index, form, oper = call.values["index"], call.values["format"], call.text("oper")
    if oper is None:
        if not isinstance(index, int):
            return  # a format alone: the list is always told in numbers here
        if index > len(preferred):
            raise CommandError(_INVALID_INDEX)
        del preferred[index - 1]
        return
    if form != _NUMERIC or not (oper.isascii() and oper.isdigit() and len(oper) in (5, 6)):
        raise CommandError(_NOT_FOUND)
    if isinstance(index, int) and index <= len(preferred):
        preferred[index - 1] = oper
    elif len(preferred) < _PLACES:
        preferred.append(oper)
    else:
        raise CommandError(_MEMORY_FULL)
