"""One output stream of a script: recorded and kept up to a limit, and all of it passed on."""

from __future__ import annotations

import contextlib
import os
from typing import TYPE_CHECKING, Final

from .sandbox import FIRST_PID

if TYPE_CHECKING:
    from typing import BinaryIO

    from simulator.kernel.recorder import Recorder

LANE: Final = f"script/{FIRST_PID}"
# How much of each stream is kept, in bytes; a script that prints for ever must not fill the memory.
OUTPUT_LIMIT: Final = 8 << 20


def _give_up(stream: BinaryIO) -> None:
    """What *stream* still holds goes nowhere: the interpreter would try again at its end, and complain."""
    with contextlib.suppress(OSError):  # it is none of the system's
        descriptor = os.open(os.devnull, os.O_WRONLY)
        os.dup2(descriptor, stream.fileno())
        os.close(descriptor)


class Output:
    """What has come of one stream, in `data`.

    `broken` is the error, once nobody takes what is passed on any more.
    """

    def __init__(self, recorder: Recorder, what: str, passed_to: BinaryIO | None) -> None:
        self.data = bytearray()
        self._recorder, self._what, self._passed_to = recorder, what, passed_to
        self._is_cut = False
        self.broken: OSError | None = None

    def take(self, data: bytes) -> None:
        """Take what has come."""
        kept = data[: OUTPUT_LIMIT - len(self.data)]
        if kept:
            self.data += kept
            self._recorder.record_bytes(LANE, self._what, kept)
        if len(kept) < len(data) and not self._is_cut:
            self._is_cut = True
            self._recorder.record(LANE, "cut", stream=self._what, kept=OUTPUT_LIMIT)
        if self._passed_to is not None and self.broken is None:
            try:
                self._passed_to.write(data)
                self._passed_to.flush()
            except OSError as error:
                self.broken = error
                _give_up(self._passed_to)
