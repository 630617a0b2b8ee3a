"""Why a message command failed, as the module finds it (3GPP TS 27.005 3.2.5)."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.card.card import CardState

if TYPE_CHECKING:
    from simulator.card.card import Card

NOT_ALLOWED: Final = 302
INVALID_PDU, INVALID_TEXT = 304, 305
ABSENT, PIN_REQUIRED, FAILED, BUSY, PUK_REQUIRED = 310, 311, 313, 314, 316
INVALID_INDEX, FULL = 321, 322
CENTRE_UNKNOWN, NO_SERVICE, TIMEOUT = 330, 331, 332
NO_ACKNOWLEDGEMENT_EXPECTED: Final = 340
UNKNOWN_ERROR: Final = 500

_BY_CARD: Final = {
    CardState.ABSENT: ABSENT,
    CardState.PIN: PIN_REQUIRED,
    CardState.PUK: PUK_REQUIRED,
    CardState.BLOCKED: FAILED,
}


def card_refusal(card: Card) -> int | None:
    """Why the card cannot be used; None where it can."""
    return None if card.state is CardState.READY else _BY_CARD.get(card.state, BUSY)
