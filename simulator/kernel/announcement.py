"""Who says that something happened need not know who listens."""

from __future__ import annotations

from typing import TYPE_CHECKING, Generic, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class Announcement(Generic[T]):
    """One kind of news with its listeners, called at once and in the order in which they came."""

    __slots__ = ("_listeners",)

    def __init__(self) -> None:
        self._listeners: list[Callable[[T], None]] = []

    def listen(self, listener: Callable[[T], None]) -> None:
        """From now on *listener* is called with each piece of news."""
        self._listeners.append(listener)

    def forget(self, listener: Callable[[T], None]) -> None:
        """*listener* is not called any more; one that is just being called may say so."""
        self._listeners = [one for one in self._listeners if one is not listener]

    def announce(self, news: T) -> None:
        """Tell every listener."""
        for listener in self._listeners:
            listener(news)
