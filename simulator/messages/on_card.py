"""What a card keeps of messages: its places, the service centre's number, how many it has sent."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.codec.addresses import Address

from .parameters import TextParameters
from .store import Store

if TYPE_CHECKING:
    from simulator.card.settings import CardSettings

ON_CARD = "SM"


class OnCard:
    """One card's messages (3GPP TS 31.102 4.2.25, 4.2.27, 4.2.28, from memory), or those of an empty slot."""

    def __init__(self, settings: CardSettings | None) -> None:
        self.store = Store(ON_CARD, capacity=settings.messages if settings is not None else 0)
        own = settings.service_centre if settings is not None else ""
        self.centre: Address | None = Address.of(own) if own else None
        self.last_reference = 0
        self.saved = (self.centre, TextParameters())
