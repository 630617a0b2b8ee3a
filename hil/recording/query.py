"""Questions to a recording: lanes, levels, pulses, states, text."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping, Sequence

    from simulator.kernel.recorder import Event


@dataclass(frozen=True, slots=True, kw_only=True)
class Pulse:
    """A stretch of one level on a digital lane: from *start_ns* for *width_ns*."""

    start_ns: int
    width_ns: int
    level: bool


@dataclass(frozen=True, slots=True, kw_only=True)
class StateChange:
    """One change of a state machine."""

    t_ns: int
    before: str
    after: str
    cause: str


class Recording:
    """All events of one run, in order."""

    def __init__(self, head: Mapping[str, Any], events: Iterable[Event] = ()) -> None:
        self.head = head
        self._events: list[Event] = list(events)

    def extend(self, events: Iterable[Event]) -> None:
        """Add what happened since."""
        self._events.extend(events)

    def __iter__(self) -> Iterator[Event]:
        return iter(self._events)

    def __len__(self) -> int:
        return len(self._events)

    def lanes(self) -> list[str]:
        """The lanes with events, in the order of their first one."""
        return list(dict.fromkeys(event.lane for event in self._events))

    def on(
        self, lane: str, what: str | None = None, *, from_ns: int = 0, to_ns: int | None = None
    ) -> list[Event]:
        """The events of *lane* (and of one kind) in [*from_ns*, *to_ns*]."""
        return [
            event
            for event in self._events
            if event.lane == lane
            and (what is None or event.what == what)
            and from_ns <= event.t_ns
            and (to_ns is None or event.t_ns <= to_ns)
        ]

    def pulses(self, lane: str, level: bool, *, from_ns: int = 0) -> list[Pulse]:
        """The finished pulses of *level* on a digital lane that began at *from_ns* or later."""
        pulses: list[Pulse] = []
        began: int | None = None
        for event in self.on(lane, "level"):
            is_level = event.more["value"] == int(level)
            if is_level and began is None:
                began = event.t_ns
            elif not is_level and began is not None:
                if began >= from_ns:
                    pulses.append(Pulse(start_ns=began, width_ns=event.t_ns - began, level=level))
                began = None
        return pulses

    def states(self, lane: str, *, from_ns: int = 0) -> list[StateChange]:
        """The changes of a state machine's lane."""
        return [
            StateChange(
                t_ns=event.t_ns,
                before=str(event.more["from"]),
                after=str(event.more["to"]),
                cause=str(event.more.get("cause", "")),
            )
            for event in self.on(lane, "state", from_ns=from_ns)
        ]

    def text(self, lane: str, what: str, *, from_ns: int = 0) -> bytes:
        """All bytes that went one way (`to_module`, `from_module`) on a port's lane."""
        return b"".join(
            str(event.more["text"]).encode("latin-1") for event in self.on(lane, what, from_ns=from_ns)
        )

    def last(self, count: int) -> dict[str, Sequence[Event]]:
        """The last *count* events of every lane, for people who look for a cause."""
        by_lane: dict[str, list[Event]] = {}
        for event in self._events:
            by_lane.setdefault(event.lane, []).append(event)
        return {lane: events[-count:] for lane, events in by_lane.items()}
