"""Where an edge listens for clients over TCP."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Listening:
    """Where to listen: *address* and the number of the first port; 0 takes what is free for each."""

    address: str = "127.0.0.1"
    number: int = 0
