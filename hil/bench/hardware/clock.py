"""The wall's monotonic clock as a bench's, and how late the machine was.

Looked at are the bench's own waits, and a thread that wakes fifty times a second: a machine that is busy, or
a process that is stopped, shows there although the bench waits for something else just then.
"""

from __future__ import annotations

import threading
import time
from collections import deque
from typing import TYPE_CHECKING, Final

from hil.bench.interface import Clock
from simulator.edges.pacing import LATE_NS
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from .events import Events

# So many late waits are looked back at.
_KEPT: Final = 4096
_BEAT_S: Final = 0.02


class WallClock(Clock):
    """Counts from its making by CLOCK_MONOTONIC, which is what the kernel stamps edges with."""

    def __init__(self) -> None:
        self.start_ns = time.monotonic_ns()
        self._late: deque[tuple[int, int]] = deque(maxlen=_KEPT)
        self._latest_ns = 0
        self._lock = threading.Lock()
        self._events: Events | None = None
        self._ends = threading.Event()
        self._watch: threading.Thread | None = None
        self._due_ns: int | None = None

    def now_ns(self) -> int:
        """Nanoseconds since the run began."""
        return time.monotonic_ns() - self.start_ns

    def now_s(self) -> float:
        """Seconds since the run began."""
        return self.now_ns() / 1e9

    def wait(self, seconds: float) -> None:
        """Return *seconds* later; how much later still is kept."""
        until_ns = self.now_ns() + ns(seconds)
        while (left_ns := until_ns - self.now_ns()) > 0:
            time.sleep(left_ns / 1e9)
        self._note(until_ns)

    def late_s(self, *, within_s: float | None = None) -> float:
        """How late the machine was at most, in the run or its last *within_s* seconds.

        Of the latter, what is below 1 ms counts as 0.
        """
        with self._lock:
            now_ns = self.now_ns()
            # Whatever stopped all threads may have yet to be seen by the one that looks.
            overdue_ns = 0 if self._due_ns is None else max(now_ns - self._due_ns, 0)
            if within_s is None:
                return max(self._latest_ns, overdue_ns) / 1e9
            since_ns = now_ns - ns(within_s)
            seen_ns = max((late for at, late in self._late if at >= since_ns), default=0)
            return max(seen_ns, overdue_ns if overdue_ns >= LATE_NS else 0) / 1e9

    def watch(self, events: Events) -> None:
        """From now on lateness is looked for all the time, and that of 1 ms and more recorded in *events*."""
        self._events = events
        self._watch = threading.Thread(target=self._look_on, name="lateness", daemon=True)
        self._watch.start()

    def close(self) -> None:
        """Look no longer; harmless when called again."""
        self._ends.set()
        if self._watch is not None:
            self._watch.join()

    def _look_on(self) -> None:
        while not self._ends.is_set():
            due_ns = self.now_ns() + ns(_BEAT_S)
            self._due_ns = due_ns
            if not self._ends.wait(_BEAT_S):
                self._note(due_ns)
        self._due_ns = None

    def _note(self, due_ns: int) -> None:
        with self._lock:
            now_ns = self.now_ns()
            late_ns = now_ns - due_ns
            self._latest_ns = max(self._latest_ns, late_ns)
            if late_ns < LATE_NS:
                return
            self._late.append((now_ns, late_ns))
        if self._events is not None:
            self._events.record("pace", "late", value=late_ns, due_ns=due_ns)


def uncertainty_ns() -> int:
    """How late a short wait ends on this machine now, at most of ten: what one stamp may be off by."""
    clock = WallClock()
    for _ in range(10):
        clock.wait(0.001)
    return round(clock.late_s() * 1e9)
