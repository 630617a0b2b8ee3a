"""What happened, from several threads, as events in order of their time."""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING

from simulator.kernel.recorder import Event

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.recorder import Value


class Events:
    """Collects events; *now_ns* stamps those that bring no time of their own."""

    def __init__(self, now_ns: Callable[[], int]) -> None:
        self._now_ns = now_ns
        self._lock = threading.Lock()
        self._events: list[Event] = []
        self._taken = 0

    def record(self, lane: str, what: str, /, **more: Value) -> None:
        """It happened now."""
        with self._lock:
            self._events.append(Event(self._now_ns(), lane, what, more))

    def record_at(self, t_ns: int, lane: str, what: str, /, **more: Value) -> None:
        """It happened then: something else has stamped it."""
        with self._lock:
            self._events.append(Event(t_ns, lane, what, more))

    def record_bytes(self, lane: str, what: str, data: bytes) -> None:
        """Bytes passed now, as Latin-1 text."""
        self.record(lane, what, text=data.decode("latin-1"))

    def all(self) -> list[Event]:
        """Everything so far, in order; what happened at one instant, as it was told."""
        with self._lock:
            self._events.sort(key=lambda event: event.t_ns)
            return list(self._events)
