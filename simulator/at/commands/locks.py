"""Locks of the card and of the module (3GPP TS 27.007 7.4, 7.5)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.errors import NOT_ALLOWED, CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Choice, Number, Text, command
from simulator.card.card import CardState, CardStateError

from .card import is_pin, refuse_locked, wrong_pin

if TYPE_CHECKING:
    from simulator.at.call import Call

_TS27007 = "3GPP TS 27.007"
# `<fac>`: the card's PIN, the module's lock to one network.
_CARD, _NETWORK = "SC", "PN"
_UNLOCK, _LOCK, _QUERY = 0, 1, 2
_LONGEST_PIN, _WRONG, _NOT_SUPPORTED = 8, 16, 4
_CLASSES: Final = 255


@command(
    "+CLCK",
    standard=_TS27007,
    clause="7.4",
    forms=(Form.SET, Form.TEST),
    parameters=(
        Choice(name="fac", allowed=(_CARD, _NETWORK)),
        Number(name="mode", high=_QUERY),
        Text(name="passwd", longest=16, optional=True),
        Number(name="class", low=1, high=_CLASSES, default=7),
    ),
)
def lock(call: Call) -> None:
    """Ask for (2), set (1) or end (0) a lock: the card's PIN "SC", or the module's lock to a network "PN"."""
    if call.form is Form.TEST:
        call.say(f'+CLCK: ("{_CARD}","{_NETWORK}")')
        return
    refuse_locked(call)
    card = call.modem.card
    facility, mode, password = call.text("fac"), call.number("mode"), call.text("passwd")
    if mode == _QUERY:
        is_on = card.asks_for_pin if facility == _CARD else card.state is CardState.LOCKED
        call.say(f"+CLCK: {int(is_on)}")
        return
    if password is None:
        raise CommandError
    if facility == _CARD:
        _lock_card(call, password, wanted=mode == _LOCK)
    elif mode == _LOCK:
        raise CommandError(_NOT_SUPPORTED)  # the maker locks, in the profile; nobody else
    else:
        try:
            right = card.enter_unlock_code(password)
        except CardStateError:
            raise CommandError(NOT_ALLOWED) from None
        if not right:
            raise CommandError(_WRONG)


def _lock_card(call: Call, password: str, *, wanted: bool) -> None:
    card = call.modem.card
    state = card.state
    try:
        right = is_pin(password) and card.ask_for_pin(password, wanted=wanted)
    except CardStateError:
        raise CommandError(NOT_ALLOWED) from None
    if not right:
        raise wrong_pin(card, before=state)


@command(
    "+CPWD",
    standard=_TS27007,
    clause="7.5",
    forms=(Form.SET, Form.TEST),
    parameters=(
        Choice(name="fac", allowed=(_CARD,)),
        Text(name="oldpwd", longest=_LONGEST_PIN),
        Text(name="newpwd", longest=_LONGEST_PIN),
    ),
)
def password(call: Call) -> None:
    """Change the card's PIN "SC"; the card has to ask for it at present."""
    if call.form is Form.TEST:
        call.say(f'+CPWD: ("{_CARD}",{_LONGEST_PIN})')
        return
    refuse_locked(call)
    card, old, new = call.modem.card, call.text("oldpwd") or "", call.text("newpwd") or ""
    state = card.state
    try:
        right = is_pin(old) and is_pin(new) and card.change_pin(old, new)
    except CardStateError:
        raise CommandError(NOT_ALLOWED) from None
    if not right:
        raise wrong_pin(card, before=state)
