"""The event queue: order, cancelling, bounded memory."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.kernel.timeline import Timeline, ns


def test_calls_of_one_instant_run_in_the_order_they_were_scheduled() -> None:
    timeline, ran = Timeline(), list[str]()
    timeline.call_at(5, lambda: ran.append("first"))
    timeline.call_at(3, lambda: ran.append("earlier"))
    timeline.call_at(5, lambda: ran.append("second"))

    timeline.run_until(5)

    assert ran == ["earlier", "first", "second"]


def test_a_call_may_schedule_another_at_its_own_instant() -> None:
    timeline, ran = Timeline(), list[int]()

    def schedule_another() -> None:
        timeline.call_in(0, lambda: ran.append(timeline.now_ns))

    timeline.call_at(5, schedule_another)
    timeline.run_until(5)

    assert ran == [5]


def test_a_cancelled_call_is_not_made_and_cancelling_twice_is_harmless() -> None:
    timeline, ran = Timeline(), list[int]()
    wakeup = timeline.call_at(5, lambda: ran.append(1))

    wakeup.cancel()
    wakeup.cancel()
    timeline.run_until(10)

    assert ran == []
    assert len(timeline) == 0


def test_cancelling_a_call_that_was_made_changes_nothing() -> None:
    timeline = Timeline()
    wakeup = timeline.call_at(5, lambda: None)
    timeline.call_at(7, lambda: None)
    timeline.run_until(5)

    wakeup.cancel()

    assert len(timeline) == 1


def test_the_next_deadline_skips_what_was_cancelled() -> None:
    timeline = Timeline()
    timeline.call_at(3, lambda: None).cancel()
    timeline.call_at(8, lambda: None)

    assert timeline.next_due_ns() == 8


def test_rearming_a_timer_for_ever_keeps_the_queue_small() -> None:
    timeline = Timeline()
    for _ in range(10_000):
        timeline.call_in(ns(1), lambda: None).cancel()

    assert len(timeline._heap) < 200


def test_cancelling_from_within_a_call_while_the_heap_is_rebuilt_loses_nothing() -> None:
    timeline, ran = Timeline(), list[str]()
    doomed = [timeline.call_at(10, lambda: ran.append("doomed")) for _ in range(500)]
    timeline.call_at(20, lambda: ran.append("kept"))

    def cancel_all() -> None:
        for wakeup in doomed:
            wakeup.cancel()

    timeline.call_at(5, cancel_all)
    timeline.run_until(30)

    assert ran == ["kept"]


def test_the_past_is_refused() -> None:
    timeline = Timeline()
    timeline.run_until(10)

    with pytest.raises(ValueError, match="9 ns has passed"):
        timeline.call_at(9, lambda: None)
    with pytest.raises(ValueError, match="9 ns has passed"):
        timeline.run_until(9)


@given(st.lists(st.integers(0, 1000), max_size=40), st.lists(st.integers(0, 300), max_size=10))
def test_whatever_the_steps_every_call_is_made_once_at_its_instant(due: list[int], steps: list[int]) -> None:
    timeline, made = Timeline(), list[tuple[int, int]]()
    for number, at_ns in enumerate(due):
        timeline.call_at(at_ns, lambda number=number: made.append((timeline.now_ns, number)))  # type: ignore[misc] # a default captures

    for step in steps:
        timeline.run_until(timeline.now_ns + step)
    timeline.run_until(10_000)

    assert made == sorted((at_ns, number) for number, at_ns in enumerate(due))
