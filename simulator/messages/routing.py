"""Where received messages go: to a terminal at once, into a store with a word about it, or nowhere
(3GPP TS 27.005 3.4.1, tables 1 to 4).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, NamedTuple

from simulator.codec.coding import received_coding

if TYPE_CHECKING:
    from collections.abc import Iterable

    from simulator.codec.tpdu import Deliver

# <mt> of +CNMI.
_DIRECT, _TERMINAL_CLASS = 2, 3
# Message classes (TS 23.038 4).
_SHOWN_AT_ONCE, _FOR_EQUIPMENT, _FOR_CARD, _FOR_TERMINAL = range(4)


@dataclass(frozen=True, slots=True, kw_only=True)
class Routing:
    """What one terminal has asked for with +CNMI.

    *mode* 0 keeps lines back, 1 discards them while the terminal's link is reserved, 2 keeps them for so
    long, 3 sends them always.  *messages* (`<mt>`) and *reports* (`<ds>`) as in the standard; *clears*
    (`<bfr>`): what was kept is dropped, not sent, when lines may come.
    """

    mode: int = 0
    messages: int = 0
    broadcasts: int = 0
    reports: int = 0
    clears: bool = False


class Way(Enum):
    """What is done with a received message."""

    DIRECT = "direct"
    STORE = "store"
    DROP = "drop"


class Destination(NamedTuple):
    """The way, and the store that the message's class asks for (None: the preferred one)."""

    way: Way
    store: str | None = None


def destination(message: Deliver, routings: Iterable[Routing]) -> Destination:
    """Where *message* goes, seen what the terminals have asked for."""
    coding = received_coding(message.dcs)
    wanted = {routing.messages for routing in routings}
    message_class = coding.message_class
    is_for_card = message_class == _FOR_CARD or (coding.is_indication and not coding.is_discarded)
    is_wanted = _DIRECT in wanted and not is_for_card
    if is_wanted or (_TERMINAL_CLASS in wanted and message_class == _FOR_TERMINAL):
        return Destination(Way.DIRECT)
    if message_class == _SHOWN_AT_ONCE or coding.is_discarded:
        return Destination(Way.DROP)  # there is no display that would show it
    return Destination(Way.STORE, {_FOR_EQUIPMENT: "ME", _FOR_CARD: "SM"}.get(message_class or 0))
