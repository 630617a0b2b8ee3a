"""Calls from other threads in, made one after the other on the serving thread.

Everything that touches the model does so on the thread that serves it.
"""

from __future__ import annotations

import os
import threading
from collections import deque
from typing import TYPE_CHECKING, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable

T = TypeVar("T")


class CallsClosedError(RuntimeError):
    """The model is served no longer."""


class Calls:
    """A queue of calls with a descriptor that is readable while one waits."""

    def __init__(self) -> None:
        self._descriptor = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._waiting: deque[Callable[[], None]] = deque()
        self._lock = threading.Lock()
        self._is_closed = False

    def fileno(self) -> int:
        """Readable while a call waits."""
        return self._descriptor

    def run(self, call: Callable[[], T]) -> T:
        """Have *call* made on the serving thread; its result or exception comes back.

        Raises CallsClosedError once the model is served no longer.
        """
        done = threading.Event()
        results: list[T] = []
        errors: list[BaseException] = []

        def make() -> None:
            try:
                results.append(call())
            except BaseException as error:  # noqa: BLE001 # handed to the thread that asked
                errors.append(error)
            finally:
                done.set()

        with self._lock:
            if self._is_closed:
                raise CallsClosedError("the model is served no longer")
            self._waiting.append(make)
            os.eventfd_write(self._descriptor, 1)
        done.wait()
        if errors:
            raise errors[0]
        if not results:
            raise CallsClosedError("the model is served no longer")
        return results[0]

    def process(self) -> None:
        """Make every waiting call (on the serving thread)."""
        try:
            os.eventfd_read(self._descriptor)
        except BlockingIOError:
            return
        while self._waiting:
            self._waiting.popleft()()

    def close(self) -> None:
        """Make what waits and refuse what comes; harmless when called again."""
        with self._lock:
            if self._is_closed:
                return
            self._is_closed = True
        while self._waiting:
            self._waiting.popleft()()
        os.close(self._descriptor)
