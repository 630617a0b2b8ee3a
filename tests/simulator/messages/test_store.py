"""Places of messages: numbered, limited, kept."""

from __future__ import annotations

import pytest
from hypothesis import settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, rule

from simulator.codec.message_pdu import MessagePdu
from simulator.messages.store import JointStore, Status, Store, Stored, StoreFullError


def message() -> Stored:
    return Stored(MessagePdu(None, b"\x01"), Status.UNREAD)


def test_a_message_takes_the_lowest_free_place() -> None:
    store = Store("SM", capacity=3)
    assert [store.add(message()) for _ in range(3)] == [1, 2, 3]
    store.delete(2)

    assert store.add(message()) == 2


def test_a_full_store_takes_no_more() -> None:
    store = Store("SM", capacity=1)
    store.add(message())

    assert store.is_full
    for full in (store, Store("SM", capacity=0)):
        with pytest.raises(StoreFullError):
            full.add(message())


def test_a_place_that_is_kept_is_free_after_the_boot() -> None:
    store = Store("SM", capacity=1)
    store.add(message())
    store.delete(1, keeps_place=True)

    assert (store.used, store.get(1), store.is_full) == (1, None, True)
    store.free_places()
    assert (store.used, store.add(message())) == (0, 1)


class Stores(RuleBasedStateMachine):
    """Two stores and both as one, beside a plain list of what lies where."""

    @initialize(first=st.integers(0, 3), second=st.integers(0, 3))
    def begin(self, first: int, second: int) -> None:
        self.parts = (Store("ME", capacity=first), Store("SM", capacity=second))
        self.both = JointStore("MT", self.parts)
        self.places: list[Stored | None] = [None] * (first + second)

    @rule()
    def add(self) -> None:
        stored = message()
        free = [place for place, there in enumerate(self.places) if there is None]
        if not free:
            with pytest.raises(StoreFullError):
                self.both.add(stored)
            return
        self.places[free[0]] = stored
        assert self.both.add(stored) == free[0] + 1

    @rule(index=st.integers(1, 8))
    def delete(self, index: int) -> None:
        was_there = index <= len(self.places) and self.places[index - 1] is not None
        assert self.both.has_place(index) is (index <= len(self.places))
        assert self.both.delete(index) is was_there
        if was_there:
            self.places[index - 1] = None

    @rule(index=st.integers(1, 8))
    def replace(self, index: int) -> None:
        if index <= len(self.places) and self.places[index - 1] is not None:
            self.places[index - 1] = stored = message()
            self.both.replace(index, stored)

    @invariant()
    def agree(self) -> None:
        there = {place + 1: stored for place, stored in enumerate(self.places) if stored is not None}
        assert dict(self.both) == there
        assert self.both.used == len(there) == sum(part.used for part in self.parts)
        assert self.both.capacity == len(self.places)
        assert self.both.is_full is (len(there) == len(self.places))
        assert all(self.both.get(index) is stored for index, stored in there.items())


TestStores = Stores.TestCase
TestStores.settings = settings(max_examples=40, stateful_step_count=20)
