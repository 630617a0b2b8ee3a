"""Programs that never wait: what they cost in virtual time.

A loop that looks at the clock until something has happened would never see it happen, for time stands still
while anybody runs.  So looking at the clock is free at first and then costs; and a program that computes for
long takes virtual time with it, by its own processor time, never by the wall clock.
"""

from __future__ import annotations

import time
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from .supervisor import Supervisor

# Looks at the clock, empty waits and sleeps of nothing that are free since time last moved: a large program's
# start takes several hundred.
_FREE: Final = 5_000
# A program's start counts as so many.
_PROGRAM: Final = 50
# Then each costs this, doubling with every so many, up to the last.
_FIRST_NS, _DOUBLES_EVERY, _MOST_NS = 10_000, 500, 10_000_000
_MOST_DOUBLINGS: Final = 20
# Processor time that a tree may take at one instant before virtual time follows it.
_COMPUTING_NS: Final = 1_000_000_000
# So much of those that have ended does not count: fifteen hundred short programs take a second.
_ENDED_NS: Final = 4_000_000_000
_LOOK_EVERY_S: Final = 0.05


class Spinning:
    """Counts since time last moved.

    `is_following` while virtual time follows processor time, `has_followed` once it has.
    """

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self._count = 0
        self._looked_s = 0.0
        self._since_ns: int | None = None
        self._followed_ns = self._ended_ns = 0
        self.has_followed = False
        self.is_following = False

    def look(self) -> int:
        """A program looks at the clock, or waits for nothing; for how many times now."""
        self._count += 1
        beyond = self._count - _FREE
        if beyond > 0:
            doublings = min(beyond // _DOUBLES_EVERY, _MOST_DOUBLINGS)
            self._supervisor.time.pass_time(min(_FIRST_NS << doublings, _MOST_NS))
        return self._count

    def add(self, looks: int) -> None:
        """So many looks at the clock have been free, and are known of only now."""
        self._count += looks

    def free(self, looks: int) -> int:
        """So many looks, where they would be free, else 0."""
        return looks if self._count + looks <= _FREE else 0

    def program_begins(self) -> None:
        """A program starts: it will look at the clock, and a loop of programs is a loop."""
        self._count += _PROGRAM

    def ended(self, used_s: float) -> None:
        """A program has ended that has computed for so long."""
        self._ended_ns += round(used_s * 1e9)

    def time_moves(self) -> None:
        """Everybody rests, and time moves."""
        self._count = self._ended_ns = 0
        self._since_ns = None
        self.is_following = False

    def follow_processor(self) -> None:
        """Somebody computes: past a second of the tree's processor time, time goes with it."""
        now_s = time.monotonic()
        if now_s - self._looked_s < _LOOK_EVERY_S:
            return
        self._looked_s = now_s
        used_ns = self._supervisor.tree.processor_ns()
        if self._since_ns is None:
            self._since_ns, self._followed_ns = used_ns, 0
            return
        used_ns += max(self._ended_ns - _ENDED_NS, 0)
        beyond_ns = used_ns - self._since_ns - _COMPUTING_NS - self._followed_ns
        if beyond_ns <= 0:
            return
        self._followed_ns += beyond_ns
        self.has_followed = self.is_following = True
        self._supervisor.notice(
            "the script computed for more than a second without a wait: from there on virtual time followed "
            "its processor time, and the run is not exact"
        )
        self._supervisor.time.pass_time(beyond_ns)
