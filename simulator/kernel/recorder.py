"""What happened in, events in order out; `encode` turns one event into its line of the recording.

The recorder keeps events only until somebody takes them: where a run is long, whoever serves the
model takes them often and writes them away.  Knows no file.
"""

from __future__ import annotations

import json
from json.encoder import encode_basestring_ascii
from typing import TYPE_CHECKING, NamedTuple, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Mapping

    from .timeline import Timeline

Value: TypeAlias = "str | int | float | bool | None"

# Encoding an event is part of every round trip of a served modem, so the line is put together here from
# quoted strings instead of by a general encoder: a quarter of the time, the same bytes.
_quoted = encode_basestring_ascii
_keys: dict[str, str] = {}


class Event(NamedTuple):
    """One line of a recording: when (ns since the run began), on which lane, what, and further keys."""

    t_ns: int
    lane: str
    what: str
    more: Mapping[str, Value]


def encode(event: Event) -> str:
    """The event as one JSON line without its line end, keys in the order of the schema."""
    return _line(*event)


def _line(t_ns: int, lane: str, what: str, more: Mapping[str, Value] | bytes) -> str:
    line = f'{{"t_ns": {t_ns}, "lane": {_quoted(lane)}, "what": {_quoted(what)}'
    if isinstance(more, bytes):
        return f'{line}, "text": {_quoted(more.decode("latin-1"))}}}'
    for key, value in more.items():
        quoted_key = _keys.get(key)
        if quoted_key is None:
            quoted_key = _keys[key] = f", {_quoted(key)}: "
        line += quoted_key + (_quoted(value) if isinstance(value, str) else json.dumps(value))
    return line + "}"


# As noted down: either further keys, or bytes that become the key `text` when they are taken.
_Noted: TypeAlias = "tuple[int, str, str, Mapping[str, Value] | bytes]"


class Recorder:
    """Collects the events of one run in order, stamped with the timeline's instant.

    Noting down is on the way of every byte, so it does as little as it can; events are made when
    they are taken.
    """

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        self._noted: list[_Noted] = []

    def record(self, lane: str, what: str, /, **more: Value) -> None:
        """Note that *what* happened on *lane* now."""
        self._noted.append((self._timeline.now_ns, lane, what, more))

    def record_bytes(self, lane: str, what: str, data: bytes) -> None:
        """Note bytes that passed: as Latin-1 text, so that every byte survives."""
        self._noted.append((self._timeline.now_ns, lane, what, data))

    @property
    def now_ns(self) -> int:
        """The instant that an event noted now would bear."""
        return self._timeline.now_ns

    @property
    def pending(self) -> int:
        """How many events wait to be taken."""
        return len(self._noted)

    def take(self) -> list[Event]:
        """Hand out what has been recorded since the last take, and keep it no longer."""
        noted, self._noted = self._noted, []
        return [
            Event(t_ns, lane, what, {"text": more.decode("latin-1")} if isinstance(more, bytes) else more)
            for t_ns, lane, what, more in noted
        ]

    def take_lines(self) -> list[str]:
        """As `take`, already encoded: for whoever only writes them away."""
        noted, self._noted = self._noted, []
        return [_line(*event) for event in noted]
