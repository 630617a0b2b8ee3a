"""Bytes out and bytes back, exactly, on one port of any bench: for whoever tests formats, not contents."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from .bench.interface import Bench

# Silence that ends an answer to a local command; pauses within one are shorter (V.250 allows 0.1 s).
_SILENCE_S: Final = 0.3


class Verbatim:
    """An open port; `hear` ends with `silence_s` seconds of silence."""

    def __init__(self, bench: Bench, *, role: str = "at") -> None:
        profile = bench.profile
        self.silence_s = _SILENCE_S + profile.delays.reply_s.relied_on + profile.at.piece_gap_s
        self._port = bench.ports.open(role)

    def send(self, data: bytes) -> None:
        """Send *data*."""
        self._port.write(data)

    def hear(self, *, silence_s: float | None = None) -> bytes:
        """All that comes until there is silence."""
        heard = b""
        while data := self._port.read(timeout_s=self.silence_s if silence_s is None else silence_s):
            heard += data
        return heard

    def ask(self, data: bytes, *, silence_s: float | None = None) -> bytes:
        """Send *data* and return what comes back until there is silence."""
        self.send(data)
        return self.hear(silence_s=silence_s)

    def close(self) -> None:
        """Let go of the port."""
        self._port.close()
