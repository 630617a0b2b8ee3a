"""A table of transitions in, a state machine that records itself out.

A device shrugs where a library raises: an event that means nothing in the present state is
recorded as ignored.  Every change is recorded on the machine's lane with its cause.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any, Generic, TypeVar

from transitions import Machine

from .announcement import Announcement

if TYPE_CHECKING:
    from collections.abc import Iterable
    from enum import Enum

    from .recorder import Recorder

S = TypeVar("S", bound="Enum")


class Change(Generic[S]):
    """One change of state: from *before* to *after* because of *cause*."""

    __slots__ = ("after", "before", "cause")

    def __init__(self, before: S, after: S, cause: str) -> None:
        self.before, self.after, self.cause = before, after, cause


@cache
def _definition(states: type[Enum], table: tuple[tuple[str, Any, Any], ...]) -> dict[tuple[str, Any], Any]:
    """Where each (event, state) of *table* leads: made and checked by the library once for each table."""
    machine = Machine(
        model=None,
        states=states,
        transitions=[{"trigger": event, "source": before, "dest": after} for event, before, after in table],
        initial=next(iter(states)),
        auto_transitions=False,
    )
    return {
        (event, machine.get_state(one.source).value): machine.get_state(one.dest or one.source).value
        for event in machine.events
        for one in machine.get_transitions(event)
    }


class StateMachine(Generic[S]):
    """The machine of one subject, built from one *table* of (event, from, to) rows.

    *lane* is where it records.  States are the members of one enumeration whose values are the words on the
    recording.
    """

    state: S

    def __init__(
        self, *, lane: str, table: Iterable[tuple[str, S, S]], initial: S, recorder: Recorder
    ) -> None:
        self.lane, self.state = lane, initial
        self.changed: Announcement[Change[S]] = Announcement()
        self._recorder = recorder
        self._after: dict[tuple[str, S], S] = _definition(type(initial), tuple(table))

    def happen(self, event: str, cause: str = "") -> bool:
        """Let *event* happen; True where it changed the state, else it is recorded as ignored."""
        before = self.state
        after = self._after.get((event, before))
        if after is None:
            self._recorder.record(self.lane, "ignored", event=event, state=before.value)
            return False
        # The table has no callbacks and no conditions, so the state is set: a trigger takes ten times longer.
        self.state = after
        self._recorder.record(
            self.lane, "state", **{"from": before.value, "to": after.value}, cause=cause or event
        )
        self.changed.announce(Change(before, after, cause or event))
        return True
