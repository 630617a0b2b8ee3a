"""Descriptors with what to do when they are ready: the one place that asks the kernel.

`look` asks every descriptor with poll, which makes the kernel finish what is on its way through a
pty: virtual time rests on that.  `wait` uses epoll, whose cost does not grow with the descriptors; as
it counts in whole milliseconds, the last of a wait is left to select, which has the clock's precision.
"""

from __future__ import annotations

import select
import termios
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable

# Above this, a wait is given to epoll in whole milliseconds; the rest to select.
_WHOLE_S: Final = 0.001
# The most that is waited for at once, in seconds: epoll(7) counts milliseconds in 31 bits.
_LONGEST_S: Final = 86400.0
# A port and a program that echo each other never come to rest; whoever looks goes on after so many rounds.
_MOST_ROUNDS: Final = 1000
# How long the kernel may take to send an echo, in wall seconds: it leaves that to a worker of its own.
_ECHO_S: Final = 0.05
_LOCAL_FLAGS: Final = 3
_WRITABLE: Final = select.EPOLLOUT
_HAS_ROOM: Final = _WRITABLE | select.EPOLLERR  # or never will have
_READABLE: Final = select.EPOLLIN | select.EPOLLHUP | select.EPOLLERR


class Descriptors:
    """Readers and writers by descriptor, looked after in the order in which they were added."""

    def __init__(self) -> None:
        self._readers: dict[int, Callable[[], object]] = {}
        self._writers: dict[int, Callable[[], object]] = {}
        self._reading: list[int] = []
        self._writing: list[int] = []
        self._unsettled: dict[int, int] = {}
        self._poll = select.poll()
        self._epoll = select.epoll()
        self._registered: set[int] = set()
        self._epoll_alone = [self._epoll.fileno()]

    def add_reader(
        self, descriptor: int, handler: Callable[[], object], *, comes_first: bool = False
    ) -> None:
        """Call *handler* whenever *descriptor* is readable; it *comes_first* or last of those there are."""
        if comes_first:
            self._readers = {descriptor: handler, **self._readers}
        else:
            self._readers[descriptor] = handler
        self._reading = list(self._readers)
        self._register(descriptor)

    def remove_reader(self, descriptor: int) -> None:
        """Look at *descriptor* no longer; harmless where nobody did."""
        if self._readers.pop(descriptor, None) is not None:
            self._reading = list(self._readers)
            self._register(descriptor)

    def add_writer(self, descriptor: int, handler: Callable[[], object]) -> None:
        """Call *handler* whenever *descriptor* is writable."""
        self._writers[descriptor] = handler
        self._writing = list(self._writers)
        self._register(descriptor)

    def remove_writer(self, descriptor: int) -> None:
        """Look at *descriptor* no longer; harmless where nobody did."""
        if self._writers.pop(descriptor, None) is not None:
            self._writing = list(self._writers)
            self._register(descriptor)

    def look(self) -> bool:
        """Handle everything that is ready now, also what becomes ready by that; True where anything was."""
        if not self._reading and not self._writing:
            return False
        reading, writing = self._ready()
        found = bool(reading or writing)
        for _ in range(_MOST_ROUNDS):
            if not (reading or writing):
                break
            for descriptor in reading:
                self._read(descriptor)
            for descriptor in writing:
                self._write(descriptor)
            reading, writing = self._ready()
        return found

    def unsettle(self, slave: int, master: int) -> None:
        """Something has been written to the terminal *slave*: its echo may come at *master*."""
        self._unsettled[slave] = master

    def settled(self, slave: int) -> None:
        """The terminal *slave* is gone."""
        self._unsettled.pop(slave, None)

    def _ready(self) -> tuple[list[int], list[int]]:
        if self._unsettled:
            self._await_echoes()
        ready = self._poll.poll(0)
        if not ready:
            return [], []
        events = dict(ready)
        return (
            [descriptor for descriptor in self._reading if events.get(descriptor, 0) & _READABLE],
            [descriptor for descriptor in self._writing if events.get(descriptor, 0) & _HAS_ROOM],
        )

    def _await_echoes(self) -> None:
        """Where a terminal's echo is on, the kernel sends it in its own time; it belongs to this instant."""
        echoing = [
            master
            for slave, master in self._unsettled.items()
            if termios.tcgetattr(slave)[_LOCAL_FLAGS] & termios.ECHO
        ]
        self._unsettled.clear()
        if echoing:
            select.select(echoing, (), (), _ECHO_S)

    def wait(self, timeout_s: float | None) -> list[tuple[int, int]]:
        """Wait up to *timeout_s* (None: for ever) until something is ready; pass the outcome to `handle`."""
        if timeout_s is None:
            return self._epoll.poll()
        if timeout_s > _WHOLE_S:
            # One millisecond less than asked for: whoever waits comes back for the rest.
            return self._epoll.poll(min(timeout_s - _WHOLE_S, _LONGEST_S))
        select.select(self._epoll_alone, (), (), timeout_s)
        return self._epoll.poll(0)

    def handle(self, ready: list[tuple[int, int]]) -> None:
        """Handle what is *ready*, in the order in which the descriptors were added."""
        if len(ready) == 1 and ready[0][1] == select.EPOLLIN:  # nearly always
            handler = self._readers.get(ready[0][0])
            if handler is not None:
                handler()
            return
        if len(ready) > 1:
            places = {descriptor: place for place, descriptor in enumerate(self._reading)}
            ready.sort(key=lambda one: places.get(one[0], len(places)))
        for descriptor, events in ready:
            if events & _READABLE:
                self._read(descriptor)
            if events & _WRITABLE:
                self._write(descriptor)

    def close(self) -> None:
        """Let go of what was made to wait with; harmless when called again."""
        self._epoll.close()

    def _read(self, descriptor: int) -> None:
        handler = self._readers.get(descriptor)  # an earlier one may have removed it
        if handler is not None:
            handler()

    def _write(self, descriptor: int) -> None:
        handler = self._writers.get(descriptor)
        if handler is not None:
            handler()

    def _register(self, descriptor: int) -> None:
        events = (select.EPOLLIN if descriptor in self._readers else 0) | (
            select.EPOLLOUT if descriptor in self._writers else 0
        )
        if events:
            self._poll.register(descriptor, events)
        else:
            self._poll.unregister(descriptor)
        if self._epoll.closed:
            return
        if not events:
            self._epoll.unregister(descriptor)
        elif descriptor in self._registered:
            self._epoll.modify(descriptor, events)
        else:
            self._epoll.register(descriptor, events)
        self._registered = set(self._readers) | set(self._writers)
