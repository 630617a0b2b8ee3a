"""Whoever has made a call: its memory, and the calls that it may be made to make instead."""

from __future__ import annotations

import os
import struct
from typing import TYPE_CHECKING, Final, Protocol, TypeAlias

from .kernel import GoneError
from .own_files import open_for_task

if TYPE_CHECKING:
    from collections.abc import Generator

# Nanoseconds in a second.
SECOND_NS: Final = 1_000_000_000
_TWO_WORDS: Final = struct.Struct("=qq")
_SECOND_US: Final = 1_000_000
# What comes of an address that is none: the kernel's has its top bit set, and no file is as long.
_NOWHERE: Final = (OSError, OverflowError)

# A call by name, with its arguments; calls in place of one, each giving its result, whose end is that one's.
Call: TypeAlias = tuple[str, tuple[int, ...]]
Steps: TypeAlias = "Generator[Call, int, int]"


class Memory:
    """The memory of the process *pid*."""

    def __init__(self, pid: int) -> None:
        self.pid = pid
        self._memory = -1

    def read(self, address: int, size: int) -> bytes:
        """*size* bytes at *address*; raises GoneError, also for an address that is none."""
        try:
            data = os.pread(self._opened(), size, address)
        except _NOWHERE as error:
            raise GoneError(self.pid) from error
        if len(data) < size:
            raise GoneError(self.pid)
        return data

    def read_some(self, address: int, size: int) -> bytes:
        """Up to *size* bytes at *address*."""
        try:
            return os.pread(self._opened(), size, address)
        except _NOWHERE as error:
            raise GoneError(self.pid) from error

    def write(self, address: int, data: bytes) -> None:
        """Put *data* at *address*."""
        try:
            os.pwrite(self._opened(), data, address)
        except _NOWHERE as error:
            raise GoneError(self.pid) from error

    def read_timespec(self, address: int) -> int:
        """A struct timespec, in nanoseconds; raises GoneError for what is no time: the kernel refuses it."""
        seconds, nanoseconds = _TWO_WORDS.unpack(self.read(address, 16))
        if seconds < 0 or not 0 <= nanoseconds < SECOND_NS:
            raise GoneError(self.pid)
        return int(seconds * SECOND_NS + nanoseconds)

    def write_timespec(self, address: int, value_ns: int) -> None:
        """The same back."""
        self.write(address, _TWO_WORDS.pack(*divmod(value_ns, SECOND_NS)))

    def read_timeval(self, address: int) -> int:
        """A struct timeval likewise."""
        seconds, microseconds = _TWO_WORDS.unpack(self.read(address, 16))
        if seconds < 0 or not 0 <= microseconds < _SECOND_US:
            raise GoneError(self.pid)
        return int(seconds * SECOND_NS + microseconds * 1000)

    def read_any_timeval(self, address: int) -> int:
        """One with any microseconds, as select(2) takes it; below 0 where it is no time."""
        seconds, microseconds = _TWO_WORDS.unpack(self.read(address, 16))
        return int(seconds * SECOND_NS + microseconds * 1000)

    def write_timeval(self, address: int, value_ns: int) -> None:
        """The same back, cut to microseconds."""
        seconds, nanoseconds = divmod(value_ns, SECOND_NS)
        self.write(address, _TWO_WORDS.pack(seconds, nanoseconds // 1000))

    def forget_memory(self) -> None:
        """The process has another memory now (exec), or none."""
        if self._memory >= 0:
            os.close(self._memory)
            self._memory = -1

    def _opened(self) -> int:
        if self._memory < 0:
            self._memory = open_for_task(f"/proc/{self.pid}/mem", os.O_RDWR)
        return self._memory


class Caller(Protocol):
    """A task that has stopped at a call: its number, and its process's memory."""

    @property
    def tid(self) -> int:
        """The task's number."""

    @property
    def process(self) -> Memory:
        """Its process."""
