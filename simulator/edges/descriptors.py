"""Descriptors with what to do when they are ready: the one place that asks the kernel.

`select` is used because it waits with the precision of the clock; a poll in whole milliseconds would
make every deadline late.  Asking also makes the kernel finish what is on its way through a pty.
"""

from __future__ import annotations

import select
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


class Descriptors:
    """Readers and writers by descriptor, looked after in the order in which they were added."""

    def __init__(self) -> None:
        self._readers: dict[int, Callable[[], object]] = {}
        self._writers: dict[int, Callable[[], object]] = {}
        self._reading: list[int] = []
        self._writing: list[int] = []

    def add_reader(self, descriptor: int, handler: Callable[[], object]) -> None:
        """Call *handler* whenever *descriptor* is readable."""
        self._readers[descriptor] = handler
        self._reading = list(self._readers)

    def remove_reader(self, descriptor: int) -> None:
        """Look at *descriptor* no longer; harmless where nobody did."""
        if self._readers.pop(descriptor, None) is not None:
            self._reading = list(self._readers)

    def add_writer(self, descriptor: int, handler: Callable[[], object]) -> None:
        """Call *handler* whenever *descriptor* is writable."""
        self._writers[descriptor] = handler
        self._writing = list(self._writers)

    def remove_writer(self, descriptor: int) -> None:
        """Look at *descriptor* no longer; harmless where nobody did."""
        if self._writers.pop(descriptor, None) is not None:
            self._writing = list(self._writers)

    def wait(self, timeout_s: float | None) -> tuple[list[int], list[int]]:
        """Wait up to *timeout_s* (None: for ever); the descriptors that are ready."""
        if not self._reading and not self._writing and timeout_s == 0:
            return [], []
        reading, writing, _ = select.select(self._reading, self._writing, (), timeout_s)
        return reading, writing

    def handle(self, ready: tuple[list[int], list[int]]) -> None:
        """Call the handlers of what is *ready*, unless an earlier one has removed them."""
        for descriptor in ready[0]:
            handler = self._readers.get(descriptor)
            if handler is not None:
                handler()
        for descriptor in ready[1]:
            handler = self._writers.get(descriptor)
            if handler is not None:
                handler()
