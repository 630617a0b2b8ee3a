"""What happened in, events in order out; `encode` turns one event into its line of the recording.

The recorder keeps events only until somebody takes them: where a run is long, whoever serves the
model takes them often and writes them away.  Knows no file.
"""

from __future__ import annotations

import json
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .timeline import Timeline

Value: TypeAlias = "str | int | float | bool | None"

_encoder = json.JSONEncoder(ensure_ascii=True, separators=(", ", ": "))


class Event(NamedTuple):
    """One line of a recording: when (ns since the run began), on which lane, what, and further keys."""

    t_ns: int
    lane: str
    what: str
    more: Mapping[str, Value]


def encode(event: Event) -> str:
    """The event as one JSON line without its line end, keys in the order of the schema."""
    return _encoder.encode({"t_ns": event.t_ns, "lane": event.lane, "what": event.what, **event.more})


class Recorder:
    """Collects the events of one run in order, stamped with the timeline's instant."""

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        self._events: list[Event] = []

    def record(self, lane: str, what: str, /, **more: Value) -> None:
        """Note that *what* happened on *lane* now."""
        self._events.append(Event(self._timeline.now_ns, lane, what, more))

    def record_bytes(self, lane: str, what: str, data: bytes) -> None:
        """Note bytes that passed: as Latin-1 text, so that every byte survives."""
        self._events.append(Event(self._timeline.now_ns, lane, what, {"text": data.decode("latin-1")}))

    @property
    def pending(self) -> int:
        """How many events wait to be taken."""
        return len(self._events)

    def take(self) -> list[Event]:
        """Hand out what has been recorded since the last take, and keep it no longer."""
        taken, self._events = self._events, []
        return taken
