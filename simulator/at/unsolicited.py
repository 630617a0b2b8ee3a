"""What a module says by itself on one port: lines in, at their time out, with RI while they are fresh."""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING, Final

from simulator.kernel.timeline import ns

from . import result

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from simulator.kernel.timeline import Timeline, Wakeup
    from simulator.module.profile import At

    from .session import Session

# Lines that wait, before further ones are lost.
_MOST: Final = 1000


class UnsolicitedLines:
    """The lines of one port, in order, each no sooner than the profile's gap after the one before.

    *send* takes their bytes, *lose* those of the lines that are too many.  While *may_speak* says no they
    wait; whoever makes it say yes calls `say_waiting`.
    """

    def __init__(
        self,
        *,
        send: Callable[[bytes], None],
        lose: Callable[[bytes], None],
        session: Session,
        timeline: Timeline,
        profile: At,
        may_speak: Callable[[], bool],
    ) -> None:
        self._send, self._lose = send, lose
        self._session, self._timeline = session, timeline
        self._may_speak = may_speak
        self._waiting: deque[str] = deque()
        self._gap_ns, self._ring_ns = ns(profile.unsolicited_gap_s), ns(profile.ring_s)
        self._next_ns = self._rings_until_ns = 0
        self._gap: Wakeup | None = None

    def __len__(self) -> int:
        return len(self._waiting)

    def say(self, line: str) -> None:
        """Send *line* as soon as it may."""
        if len(self._waiting) < _MOST:
            self._waiting.append(line)
            self.say_waiting()
        else:
            self._lose(result.extended_result(self._session, line))

    def add(self, lines: Iterable[str]) -> None:
        """Let *lines* wait until `say_waiting`."""
        self._waiting += lines

    def say_waiting(self) -> None:
        """Send what waits, as far as it may."""
        while self._waiting and self._may_speak():
            now_ns = self._timeline.now_ns
            if now_ns < self._next_ns:
                if self._gap is None:
                    self._gap = self._timeline.call_at(self._next_ns, self._gap_over)
                return
            self._rings_until_ns = now_ns + self._ring_ns
            self._next_ns = now_ns + self._gap_ns
            self._send(result.extended_result(self._session, self._waiting.popleft()))

    def _gap_over(self) -> None:
        self._gap = None
        self.say_waiting()

    def rings(self) -> bool:
        """Circuit 125: on for a while with each line."""
        return self._timeline.now_ns < self._rings_until_ns

    def close(self) -> None:
        """The port speaks no longer."""
        self._waiting.clear()
        if self._gap is not None:
            self._gap.cancel()
            self._gap = None
