"""The kernel's messages: texts in, records with number and instant out, in the format of `/dev/kmsg`.

The ring keeps the newest; a reader goes on where it stopped (Documentation/ABI/testing/dev-kmsg).
"""

from __future__ import annotations

import errno
import re
from bisect import bisect_right
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement

from .refusal import fault

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.timeline import Timeline

# Priorities of syslog(3); the kernel's own facility is 0, that of programs 1.
ERROR, WARNING, INFO = 3, 4, 6
_PROGRAMS: Final = 1 << 3
# What a kernel says first (from memory): programs take an empty log for one that they may not read.
BOOTED: Final = "Booting Linux on physical CPU 0x0"
_MOST: Final = 4096
# A line as a program writes it: <priority> before the text, where it gives one.
_WRITTEN: Final = re.compile(r"(?:<(\d{1,3})>)?(.*)", re.DOTALL)
_LONGEST: Final = 976


class KernelLog:
    """All messages since the host booted, up to 4096.  `said` is announced after each."""

    def __init__(self, timeline: Timeline) -> None:
        self._timeline = timeline
        # What is still to be written down; the first is as old as the host's uptime.
        self._said: list[tuple[int, int, int | None, str]] = [(INFO, 0, None, BOOTED)]
        self._number = 1
        # As `/dev/kmsg`: the records, and the place in the whole at which each begins.
        self._records: list[bytes] = []
        self._places: list[int] = []
        self._end = 0
        self.uptime_ns: Callable[[int], int] = lambda now_ns: now_ns
        self.said: Announcement[None] = Announcement()

    def say(self, text: str, *, priority: int = INFO) -> None:
        """The kernel says something now."""
        self._said.append((priority, self._number, self._timeline.now_ns, text))
        self._number += 1
        self.said.announce(None)

    def write(self, text: str) -> None:
        """A program says something (as /dev/kmsg takes it); EINVAL for more than a line may be."""
        if len(text) > _LONGEST:
            raise fault(errno.EINVAL)
        found = _WRITTEN.fullmatch(text.rstrip("\n"))
        assert found is not None  # noqa: S101 # everything matches
        given = int(found[1]) if found[1] else WARNING
        priority = given if given >= _PROGRAMS else given | _PROGRAMS
        self.say(found[2], priority=priority)

    @property
    def texts(self) -> list[str]:
        """What has been said."""
        self._write_down()
        return [record.partition(b";")[2].decode().rstrip("\n") for record in self._records]

    @property
    def size(self) -> int:
        """How many bytes all records have: where the next one will begin."""
        self._write_down()
        return self._end

    def record_at(self, place: int) -> bytes:
        """The first record that begins at *place* or ends beyond it; EAGAIN where none has come yet."""
        self._write_down()
        if place >= self._end or not self._records:
            raise fault(errno.EAGAIN)
        index = max(bisect_right(self._places, place) - 1, 0)
        return self._records[index]

    def _write_down(self) -> None:
        """Messages become records once somebody reads: most runs never do."""
        for priority, number, t_ns, text in self._said:
            stamp_us = 0 if t_ns is None else self.uptime_ns(t_ns) // 1000
            record = f"{priority},{number},{stamp_us},-;{text}\n".encode()
            self._records.append(record)
            self._places.append(self._end)
            self._end += len(record)
        self._said.clear()
        beyond = len(self._records) - _MOST
        if beyond > 0:
            del self._records[:beyond], self._places[:beyond]
