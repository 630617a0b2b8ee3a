"""The card's PIN, its counters, its identity and number (3GPP TS 27.007 5.6, 7.1, 8.3, 8.65)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.errors import NOT_ALLOWED, CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Text, command
from simulator.card.card import CardState
from simulator.card.settings import PIN_TRIES, PUK_TRIES, UNLOCK_TRIES

if TYPE_CHECKING:
    from simulator.at.call import Call
    from simulator.card.card import Card

_TS27007 = "3GPP TS 27.007"
_SHORTEST_PIN, _LONGEST_PIN, _PUK_DIGITS = 4, 8, 8

# TS 27.007 9.2.  A blocked card has failed for good, one without contact for now.
_ABSENT, _PIN_REQUIRED, _PUK_REQUIRED, _FAILED, _BUSY, _WRONG = 10, 11, 12, 13, 14, 16
_NETWORK_LOCK, _NETWORK_LOCK_BLOCKED = 40, 41
_REFUSALS: Final = {CardState.ABSENT: _ABSENT, CardState.BLOCKED: _FAILED, CardState.LOST: _FAILED}
_STARTING: Final = (CardState.UNPOWERED, CardState.BUSY)
_LOCKED: Final = {
    CardState.PIN: _PIN_REQUIRED,
    CardState.VERIFYING: _BUSY,
    CardState.PUK: _PUK_REQUIRED,
}
_WAITS_FOR: Final = {
    CardState.PIN: "SIM PIN",
    CardState.PUK: "SIM PUK",
    CardState.LOCKED: "PH-NET PIN",
    CardState.READY: "READY",
}
# ITU-T E.164 numbers with their country code, and others (TS 24.008 10.5.4.7).
_INTERNATIONAL, _UNKNOWN = 145, 129


def refuse_unusable(call: Call) -> None:
    """Raise what a card answers that is not there, not yet there, or dead."""
    card = call.modem.card
    if card.state in _STARTING:
        raise CommandError(call.modem.module.profile.at.card_starting_error)
    code = _REFUSALS.get(card.state)
    if code is not None:
        raise CommandError(code)


def refuse_locked(call: Call) -> None:
    """Raise as `refuse_unusable`, and what a card answers whose PIN has not been entered."""
    refuse_unusable(call)
    code = _LOCKED.get(call.modem.card.state)
    if code is not None:
        raise CommandError(code)


def refuse_unready(call: Call) -> None:
    """Raise as `refuse_locked`, and what is answered while the module is locked to another network."""
    refuse_locked(call)
    if call.modem.card.state is CardState.LOCKED:
        raise CommandError(_NETWORK_LOCK)


def is_pin(text: str) -> bool:
    """Four to eight digits; anything else never reaches the card (ETSI TS 102 221, from memory)."""
    return _SHORTEST_PIN <= len(text) <= _LONGEST_PIN and text.isascii() and text.isdigit()


@command(
    "+CPIN",
    standard=_TS27007,
    clause="8.3",
    forms=(Form.SET, Form.READ),
    parameters=(
        Text(name="pin", longest=16, bare=True),
        Text(name="newpin", longest=8, bare=True, optional=True),
    ),
    test="",
)
def pin(call: Call) -> None:
    """What the card waits for; enter a PIN, or a PUK with a new PIN, or the code of a lock to a network."""
    card = call.modem.card
    refuse_unusable(call)
    if call.form is Form.READ:
        if card.state is CardState.VERIFYING:
            raise CommandError(_BUSY)
        call.say(f"+CPIN: {_waits_for(card)}")
    else:
        _enter(card, call.text("pin") or "", call.text("newpin"))


def _waits_for(card: Card) -> str:
    if card.state is CardState.LOCKED and not card.unlock_tries:
        return "PH-NET PUK"
    return _WAITS_FOR[card.state]


def _enter(card: Card, entered: str, new_pin: str | None) -> None:
    state = card.state
    if state is not CardState.LOCKED and len(entered) > _LONGEST_PIN:
        raise CommandError
    if state is CardState.PUK:
        if new_pin is None:
            raise CommandError(_PUK_REQUIRED)
        is_puk = len(entered) == _PUK_DIGITS and entered.isascii() and entered.isdigit()
        right = is_puk and is_pin(new_pin) and card.enter_puk(entered, new_pin)
    elif state is CardState.PIN and new_pin is None:
        right = is_pin(entered) and card.enter_pin(entered)
    elif state is CardState.LOCKED and new_pin is None:
        if not card.unlock_tries:
            raise CommandError(_NETWORK_LOCK_BLOCKED)
        right = card.enter_unlock_code(entered)
    else:
        raise CommandError(NOT_ALLOWED)
    if not right:
        raise wrong_pin(card, before=state)


def wrong_pin(card: Card, *, before: CardState) -> CommandError:
    """What a wrong entry answers: the last one says that the PUK is wanted now."""
    is_blocked = card.state is CardState.PUK and before is not CardState.PUK
    return CommandError(_PUK_REQUIRED if is_blocked else _WRONG)


@command("+CIMI", standard=_TS27007, clause="5.6", forms=(Form.ACTION,))
def subscriber(call: Call) -> None:
    """The card's IMSI, once its PIN is entered."""
    refuse_locked(call)
    call.say(call.modem.card.imsi)


@command("+CNUM", standard=_TS27007, clause="7.1", forms=(Form.ACTION,))
def own_number(call: Call) -> None:
    """The subscriber's own number, where the card holds it."""
    refuse_unready(call)
    settings = call.modem.card.settings
    number = settings.number if settings else None
    if number is not None:
        call.say(f'+CNUM: "","{number}",{_INTERNATIONAL if number.startswith("+") else _UNKNOWN}')


@command(
    "+CPINR",
    standard=_TS27007,
    clause="8.65",
    forms=(Form.ACTION, Form.SET),
    parameters=(Text(name="code", longest=16, optional=True),),
    test="",
)
def pin_retries(call: Call) -> None:
    """Tries left and their full number, for PIN and PUK, and for a lock to a network where there is one."""
    card = call.modem.card
    if card.state is not CardState.BLOCKED:
        refuse_unusable(call)
    wanted = call.text("code")
    counters = {"SIM PIN": (card.pin_tries, PIN_TRIES), "SIM PUK": (card.puk_tries, PUK_TRIES)}
    if card.state is CardState.LOCKED:
        counters["PH-NET PIN"] = (card.unlock_tries, UNLOCK_TRIES)
    for name, (left, full) in counters.items():
        if wanted in (None, name):
            call.say(f"+CPINR: {name},{left},{full}")
