"""SIGTERM and SIGHUP as KeyboardInterrupt, so that whoever ends a run ends it in good order."""

from __future__ import annotations

import contextlib
import signal
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator
    from types import FrameType


def _interrupt(number: int, frame: FrameType | None) -> None:
    del frame
    raise KeyboardInterrupt(signal.Signals(number).name)


@contextlib.contextmanager
def interrupted_by_signals() -> Iterator[None]:
    """Within, both signals raise KeyboardInterrupt in the main thread; elsewhere nothing changes."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {number: signal.signal(number, _interrupt) for number in (signal.SIGTERM, signal.SIGHUP)}
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
