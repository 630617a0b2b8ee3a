"""SIGTERM and SIGHUP in, a request to end the run in good order out.

A pipeline that is cancelled sends SIGTERM, a closed terminal SIGHUP.  Left to their defaults they would
end this process at once and leave its mount and its scratch folder behind.
"""

from __future__ import annotations

import os
import signal
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from types import FrameType, TracebackType
    from typing import Self


class Interruption:
    """While entered, `number` is the signal that asked for the end, or None; `descriptor` is readable then.

    Signals that somebody ignores or handles stay with them, and so do all outside of the main thread.
    SIGINT stays what it is: KeyboardInterrupt.
    """

    def __init__(self) -> None:
        self.number: int | None = None
        self.descriptor = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._taken: list[signal.Signals] = []

    def __enter__(self) -> Self:
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGTERM, signal.SIGHUP):
                if signal.getsignal(number) is signal.SIG_DFL:
                    signal.signal(number, self._note)
                    self._taken.append(number)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        for number in self._taken:
            signal.signal(number, signal.SIG_DFL)
        os.close(self.descriptor)

    def _note(self, number: int, frame: FrameType | None) -> None:
        del frame
        self.number = number
        os.eventfd_write(self.descriptor, 1)
