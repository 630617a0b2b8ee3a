"""Messages kept in numbered places (3GPP TS 27.005 2.2, 3.1 `<mem>`, `<index>`, `<stat>`)."""

from __future__ import annotations

from enum import Enum
from functools import cached_property
from typing import TYPE_CHECKING, Final

from simulator.codec.tpdu import decode_from_phone, decode_to_phone

if TYPE_CHECKING:
    from collections.abc import Iterator

    from simulator.codec.addresses import Address
    from simulator.codec.message_pdu import MessagePdu
    from simulator.codec.tpdu import FromPhone, ToPhone


class Status(Enum):
    """What became of a message in store: number of PDU mode and words of text mode."""

    UNREAD = (0, "REC UNREAD")
    READ = (1, "REC READ")
    UNSENT = (2, "STO UNSENT")
    SENT = (3, "STO SENT")

    @property
    def number(self) -> int:
        """`<stat>` in PDU mode."""
        return self.value[0]

    @property
    def words(self) -> str:
        """`<stat>` in text mode."""
        return self.value[1]

    @property
    def is_received(self) -> bool:
        """Whether it came from the network."""
        return self in (Status.UNREAD, Status.READ)


STATUS_BY_NUMBER: Final = {status.number: status for status in Status}
STATUS_BY_WORDS: Final = {status.words: status for status in Status}


class Stored:
    """One message in store: its octets as they came or were written, and what became of it."""

    def __init__(self, pdu: MessagePdu, status: Status) -> None:
        self.pdu, self.status = pdu, status

    @property
    def centre(self) -> Address | None:
        """The service centre's address, where it is known."""
        return self.pdu.centre

    @cached_property
    def message(self) -> ToPhone | FromPhone:
        """What the octets say."""
        read = decode_to_phone if self.status.is_received else decode_from_phone
        return read(self.pdu.tpdu)

    @cached_property
    def text(self) -> str:
        """The octets as PDU mode shows them."""
        return self.pdu.text

    @property
    def length(self) -> int:
        """`<length>` of PDU mode: octets without the service centre's."""
        return len(self.pdu.tpdu)


class StoreFullError(Exception):
    """There is no free place."""


class Store:
    """Places numbered from 1 to *capacity*; a message takes the lowest that is free.

    It keeps its messages without power.
    """

    def __init__(self, name: str, *, capacity: int) -> None:
        self.name, self.capacity = name, capacity
        self._by_index: dict[int, Stored] = {}
        self._held: set[int] = set()

    @property
    def used(self) -> int:
        """How many places are taken."""
        return len(self._by_index) + len(self._held)

    @property
    def is_full(self) -> bool:
        """Whether no place is free."""
        return self.used >= self.capacity

    def __iter__(self) -> Iterator[tuple[int, Stored]]:
        return iter(sorted(self._by_index.items()))

    def get(self, index: int) -> Stored | None:
        """The message at *index*; None where the place is free or does not exist."""
        return self._by_index.get(index)

    def has_place(self, index: int) -> bool:
        """Whether there is a place of that number, free or not."""
        return 1 <= index <= self.capacity

    def add(self, stored: Stored) -> int:
        """Keep *stored*, and return where; raises StoreFullError."""
        if self.is_full:
            raise StoreFullError
        taken = self._by_index.keys() | self._held
        index = next(place for place in range(1, self.capacity + 1) if place not in taken)
        self._by_index[index] = stored
        return index

    def replace(self, index: int, stored: Stored) -> None:
        """Put *stored* in the place of the message at *index*."""
        self._by_index[index] = stored

    def delete(self, index: int, *, keeps_place: bool = False) -> bool:
        """Free the place, or keep it until `free_places`; whether there was a message."""
        if self._by_index.pop(index, None) is None:
            return False
        if keeps_place:
            self._held.add(index)
        return True

    def free_places(self) -> None:
        """Places of deleted messages that were kept are free."""
        self._held.clear()


class JointStore:
    """Several stores as one: their places counted through, messages into the first that has room."""

    def __init__(self, name: str, stores: tuple[Store, ...]) -> None:
        self.name, self._stores = name, stores

    @property
    def capacity(self) -> int:
        """How many places there are."""
        return sum(store.capacity for store in self._stores)

    @property
    def used(self) -> int:
        """How many messages there are."""
        return sum(store.used for store in self._stores)

    @property
    def is_full(self) -> bool:
        """Whether no place is free."""
        return all(store.is_full for store in self._stores)

    def __iter__(self) -> Iterator[tuple[int, Stored]]:
        before = 0
        for store in self._stores:
            yield from ((before + index, stored) for index, stored in store)
            before += store.capacity

    def get(self, index: int) -> Stored | None:
        """The message at *index*; None where the place is free or does not exist."""
        store, place = self._find(index)
        return None if store is None else store.get(place)

    def has_place(self, index: int) -> bool:
        """Whether there is a place of that number, free or not."""
        return 1 <= index <= self.capacity

    def add(self, stored: Stored) -> int:
        """Keep *stored*, and return where; raises StoreFullError."""
        before = 0
        for store in self._stores:
            if not store.is_full:
                return before + store.add(stored)
            before += store.capacity
        raise StoreFullError

    def replace(self, index: int, stored: Stored) -> None:
        """Put *stored* in the place of the message at *index*."""
        store, place = self._find(index)
        if store is not None:
            store.replace(place, stored)

    def delete(self, index: int, *, keeps_place: bool = False) -> bool:
        """Free the place, or keep it until `free_places`; whether there was a message."""
        store, place = self._find(index)
        return store is not None and store.delete(place, keeps_place=keeps_place)

    def free_places(self) -> None:
        """Places of deleted messages that were kept are free."""
        for store in self._stores:
            store.free_places()

    def _find(self, index: int) -> tuple[Store | None, int]:
        for store in self._stores:
            if index <= store.capacity:
                return store, index
            index -= store.capacity
        return None, 0


AnyStore = Store | JointStore
