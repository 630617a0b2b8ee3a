"""The card's PIN and its counters and its identity (3GPP TS 27.007 5.6, 8.3, 8.65)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.at.errors import NOT_ALLOWED, CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Text, command
from simulator.card.card import PIN_TRIES, PUK_TRIES, CardState

if TYPE_CHECKING:
    from simulator.at.call import Call

_TS27007 = "3GPP TS 27.007"
_SHORTEST_PIN: Final = 4

# TS 27.007 9.2.  A card that is still starting answers 14; a blocked one has failed for good.
_ABSENT, _PIN_REQUIRED, _PUK_REQUIRED, _FAILED, _BUSY, _WRONG = 10, 11, 12, 13, 14, 16
_REFUSALS: Final = {
    CardState.ABSENT: _ABSENT,
    CardState.UNPOWERED: _BUSY,
    CardState.BUSY: _BUSY,
    CardState.BLOCKED: _FAILED,
}
_LOCKED: Final = {
    CardState.PIN: _PIN_REQUIRED,
    CardState.VERIFYING: _BUSY,
    CardState.PUK: _PUK_REQUIRED,
}
_WAITS_FOR: Final = {
    CardState.PIN: "SIM PIN",
    CardState.PUK: "SIM PUK",
    CardState.VERIFYING: "READY",
    CardState.READY: "READY",
}


def _refuse_unusable(state: CardState) -> None:
    code = _REFUSALS.get(state)
    if code is not None:
        raise CommandError(code)


@command(
    "+CPIN",
    standard=_TS27007,
    clause="8.3",
    forms=(Form.SET, Form.READ),
    parameters=(
        Text(name="pin", longest=8, bare=True),
        Text(name="newpin", longest=8, bare=True, optional=True),
    ),
    test="",
)
def pin(call: Call) -> None:
    """What the card waits for; enter a PIN, or a PUK with a new PIN."""
    card = call.modem.card
    state = card.state
    _refuse_unusable(state)
    if call.form is Form.READ:
        if state is CardState.VERIFYING:
            raise CommandError(_BUSY)
        call.say(f"+CPIN: {_WAITS_FOR[state]}")
        return
    entered, new_pin = call.text("pin") or "", call.text("newpin")
    if state is CardState.PUK:
        if new_pin is None:
            raise CommandError(_PUK_REQUIRED)
        right = _is_pin(entered) and _is_pin(new_pin) and card.enter_puk(entered, new_pin)
    elif state is CardState.PIN and new_pin is None:
        right = _is_pin(entered) and card.enter_pin(entered)
    else:
        raise CommandError(NOT_ALLOWED)
    if not right:
        raise CommandError(
            _PUK_REQUIRED if card.state is CardState.PUK and state is CardState.PIN else _WRONG
        )


@command("+CIMI", standard=_TS27007, clause="5.6", forms=(Form.ACTION,))
def subscriber(call: Call) -> None:
    """The card's IMSI, once its PIN is entered."""
    card = call.modem.card
    _refuse_unusable(card.state)
    code = _LOCKED.get(card.state)
    if code is not None:
        raise CommandError(code)
    call.say(card.imsi)


def _is_pin(text: str) -> bool:
    """Four to eight digits; anything else never reaches the card (ETSI TS 102 221, from memory)."""
    return len(text) >= _SHORTEST_PIN and text.isascii() and text.isdigit()


@command(
    "+CPINR",
    standard=_TS27007,
    clause="8.65",
    forms=(Form.ACTION, Form.SET),
    parameters=(Text(name="code", longest=16, optional=True),),
    test="",
)
def pin_retries(call: Call) -> None:
    """Tries left and their full number, for PIN and PUK."""
    card = call.modem.card
    if card.state is not CardState.BLOCKED:
        _refuse_unusable(card.state)
    wanted = call.text("code")
    counters = {"SIM PIN": (card.pin_tries, PIN_TRIES), "SIM PUK": (card.puk_tries, PUK_TRIES)}
    for name, (left, full) in counters.items():
        if wanted in (None, name):
            call.say(f"+CPINR: {name},{left},{full}")
