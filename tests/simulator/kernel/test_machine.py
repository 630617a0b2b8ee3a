"""State machines from tables: changes recorded, meaningless events shrugged off."""

from __future__ import annotations

from enum import Enum

from simulator.kernel.machine import StateMachine
from simulator.kernel.recorder import Recorder, encode
from simulator.kernel.timeline import Timeline


class Door(Enum):
    OPEN = "open"
    SHUT = "shut"


TABLE = (("push", Door.OPEN, Door.SHUT), ("pull", Door.SHUT, Door.OPEN), ("slam", Door.SHUT, Door.SHUT))


def build() -> tuple[StateMachine[Door], Recorder]:
    recorder = Recorder(Timeline())
    return StateMachine(lane="door", table=TABLE, initial=Door.OPEN, recorder=recorder), recorder


def test_a_change_is_recorded_with_its_cause_and_announced() -> None:
    door, recorder = build()
    heard: list[tuple[Door, Door, str]] = []
    door.changed.listen(lambda change: heard.append((change.before, change.after, change.cause)))

    assert door.happen("push", "the wind")
    assert door.state is Door.SHUT
    assert heard == [(Door.OPEN, Door.SHUT, "the wind")]
    assert [encode(event) for event in recorder.take()] == [
        '{"t_ns": 0, "lane": "door", "what": "state", "from": "open", "to": "shut", "cause": "the wind"}'
    ]


def test_an_event_that_means_nothing_is_recorded_as_ignored() -> None:
    door, recorder = build()

    assert not door.happen("pull")
    assert door.state is Door.OPEN
    assert [encode(event) for event in recorder.take()] == [
        '{"t_ns": 0, "lane": "door", "what": "ignored", "event": "pull", "state": "open"}'
    ]


def test_a_row_that_leads_back_to_its_state_counts_as_a_change() -> None:
    door, _ = build()
    door.happen("push")

    assert door.happen("slam")
