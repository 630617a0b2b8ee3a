"""Characters in, one event of the recording for each run of them out.

A serial line brings its characters one by one; recorded one by one they would drown everything else.  A run
is what came without a pause; it is recorded at its last character, with the instant of its first.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from simulator.kernel.recorder import Recorder

    from .framing import Received

# A stream without pauses is recorded in pieces of this many bytes.
_LONGEST: Final = 256


class Runs:
    """Runs of one direction on *lane*; those of bytes that went nowhere are recorded as `lost`.

    A run also ends after each byte of *cut_at*.  Errors of the receiver are counted: `framing_errors`,
    `parity_errors`.
    """

    def __init__(self, recorder: Recorder, lane: str, what: str, *, cut_at: bytes = b"") -> None:
        self._recorder, self._lane, self._what, self._cut_at = recorder, lane, what, cut_at
        self._bytes = bytearray()
        self._is_lost = False
        self._since_ns = 0
        self._framing_errors = self._parity_errors = 0

    def add(self, one: Received) -> None:
        """A character that arrived."""
        self._begin(lost=False)
        self._framing_errors += one.framing_error
        self._parity_errors += one.parity_error
        self._append(one.byte)

    def lose(self, byte: int) -> None:
        """A byte that went nowhere."""
        self._begin(lost=True)
        self._append(byte)

    def end(self) -> None:
        """The line is at rest."""
        if not self._bytes:
            return
        more: dict[str, int] = {}
        if self._framing_errors:
            more["framing_errors"] = self._framing_errors
        if self._parity_errors:
            more["parity_errors"] = self._parity_errors
        self._recorder.record(
            self._lane,
            "lost" if self._is_lost else self._what,
            text=self._bytes.decode("latin-1"),
            since_ns=self._since_ns,
            **more,
        )
        self._bytes.clear()
        self._framing_errors = self._parity_errors = 0

    def _begin(self, *, lost: bool) -> None:
        if self._bytes and lost is not self._is_lost:
            self.end()
        if not self._bytes:
            self._is_lost, self._since_ns = lost, self._recorder.now_ns

    def _append(self, byte: int) -> None:
        self._bytes.append(byte)
        if len(self._bytes) >= _LONGEST or byte in self._cut_at:
            self.end()
