"""A reply on its way out of one port: whole, in pieces with pauses, or as fast as the port takes it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.timeline import Timeline, Wakeup
    from simulator.module.port import Port
    from simulator.module.profile import At


class Outgoing:
    """The replies of one port, one at a time; `is_in_pieces` where the profile has them so.

    A port that is clogged gets the rest when it is free again.
    """

    def __init__(self, port: Port, *, timeline: Timeline, profile: At) -> None:
        self._port, self._timeline = port, timeline
        self.is_in_pieces = profile.reply_piece > 0
        self._piece = profile.reply_piece or port.takes_at_once or 0
        self._gap_ns = ns(profile.piece_gap_s)
        self._data, self._position = b"", 0
        self._then: Callable[[], None] | None = None
        self._gap: Wakeup | None = None

    def takes(self, data: bytearray) -> bool:
        """Whether *data* is to leave this way, not at once."""
        return self.is_in_pieces or 0 < self._piece < len(data)

    def say(self, data: bytes, then: Callable[[], None]) -> None:
        """Send *data*, and do *then* once the last of it has left the module."""
        self._data, self._position, self._then = data, 0, then
        self.go_on()

    def go_on(self) -> None:
        """The port is free again, or a pause is over: send what is left."""
        while self._then is not None and self._gap is None and not self._port.is_clogged:
            start, self._position = self._position, self._position + self._piece
            if start < len(self._data):
                self._port.send(self._data[start : self._position])
            if self._position >= len(self._data):
                then, self._then = self._then, None
                then()
            elif self.is_in_pieces:
                self._gap = self._timeline.call_in(self._gap_ns, self._gap_over)

    def _gap_over(self) -> None:
        self._gap = None
        self.go_on()

    def close(self) -> None:
        """What is left is lost."""
        self._data, self._then = b"", None
        if self._gap is not None:
            self._gap.cancel()
            self._gap = None
