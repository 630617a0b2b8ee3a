"""What one port's client has set for messages (3GPP TS 27.005 3.2.3, 3.3.2, 3.3.3, 3.4.1)."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, field
from typing import Final

from simulator.messages.parameters import TextParameters
from simulator.messages.routing import Routing

# How many lines a port keeps while it may not send them; then the oldest goes (<mode> 0 of +CNMI).
MOST_KEPT: Final = 32

PDU, TEXT = 0, 1

# Immutable, so that all sessions can begin with the same: each boot begins several.
_PARAMETERS, _ROUTING = TextParameters(), Routing()


@dataclass(slots=True)
class MessageSettings:
    """The message settings of one port, with the lines that wait for +CNMI to let them out."""

    mode: int = PDU
    shows_headers: bool = False
    parameters: TextParameters = _PARAMETERS
    routing: Routing = _ROUTING
    kept: deque[str] = field(default_factory=lambda: deque(maxlen=MOST_KEPT))
