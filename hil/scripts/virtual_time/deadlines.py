"""What is due when, in virtual nanoseconds: ties go by place in the process tree, then by age."""

from __future__ import annotations

import heapq
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable


class Deadline:
    """Something that will be done at `at_ns`, unless it is cancelled."""

    __slots__ = ("_action", "at_ns")

    def __init__(self, at_ns: int, action: Callable[[], None]) -> None:
        self.at_ns = at_ns
        self._action: Callable[[], None] | None = action

    @property
    def is_pending(self) -> bool:
        """Whether it is still to come."""
        return self._action is not None

    def cancel(self) -> None:
        """Do it never; harmless when done or called again."""
        self._action = None

    def fire(self) -> None:
        """Do it now."""
        action, self._action = self._action, None
        if action is not None:
            action()


class Deadlines:
    """All that is due."""

    def __init__(self) -> None:
        self._queue: list[tuple[int, tuple[int, ...], int, Deadline]] = []
        self._count = 0

    def add(self, at_ns: int, place: tuple[int, ...], action: Callable[[], None]) -> Deadline:
        """Do *action* at *at_ns* for the task at *place*."""
        deadline = Deadline(at_ns, action)
        self._count += 1
        heapq.heappush(self._queue, (at_ns, place, self._count, deadline))
        return deadline

    def next_ns(self) -> int | None:
        """When the next is due; None where there is none."""
        while self._queue and not self._queue[0][3].is_pending:
            heapq.heappop(self._queue)
        return self._queue[0][0] if self._queue else None

    def fire_next(self) -> None:
        """Do the next one."""
        heapq.heappop(self._queue)[3].fire()
