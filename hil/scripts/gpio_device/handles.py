"""Descriptors of the GPIO character device in a tree's hands: what they are, what they read, when they close.

A handle of lines is a socket whose other end is here: reading, polling and passing it on are the kernel's
own, and its closing, however it comes about, shows as a hang-up.  The device itself is a harmless one
(`DEVICE`) until somebody watches lines; then a socket stands in its place.  How a task comes by a socket is
not known here.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import socket
import stat
import struct
import termios
from abc import ABC, abstractmethod
from collections import deque
from typing import TYPE_CHECKING, Final, Literal

from hil.scripts.linux import kernel
from hil.scripts.linux.open_files import file_behind, files_of
from simulator.edges.gpio_tree import DEVICE
from simulator.host.gpio_records import EVENT_SIZE, changed_record, event_record

if TYPE_CHECKING:
    from collections.abc import Iterable

    from hil.scripts.linux.caller import Caller, Memory, Steps
    from hil.scripts.linux.open_files import Device
    from simulator.edges.descriptors import Descriptors
    from simulator.host.gpio_chip import GpioChip, InfoChanged, LineEvent, LineRequest, Watch

_NUMBER: Final = os.makedev(*DEVICE)
# News of lines that are kept for whoever watches them; newer ones are lost (gpiolib-cdev.c, from memory).
_MOST_NEWS: Final = 32
_SO_SNDBUFFORCE: Final = 32
_ROOM_BYTES: Final = 1 << 21


class _End:
    """Our end of a descriptor that tasks hold: records go out, and come one by one whatever their number."""

    def __init__(self, end: socket.socket, name: Device, descriptors: Descriptors) -> None:
        self.socket, self.name = end, name
        self._descriptors = descriptors
        self._waiting: deque[bytes] = deque()
        self._unit = 0

    def unread(self) -> int:
        """How many records nobody has read yet."""
        if not self._unit:
            return 0
        return self._kept() // self._unit + len(self._waiting)

    def _kept(self) -> int:
        (kept,) = struct.unpack("=i", fcntl.ioctl(self.socket, termios.TIOCOUTQ, bytes(4)))
        return int(kept)

    def send(self, record: bytes) -> None:
        """Have *record* read after those before it."""
        if self._waiting or not self._give(record):
            if not self._waiting:
                self._descriptors.add_writer(self.socket.fileno(), self._flush)
            self._waiting.append(record)

    def _give(self, record: bytes) -> bool:
        try:
            self.socket.send(record)
        except BlockingIOError:
            return False
        except OSError:  # closed: the hang-up will be told
            return True
        self._unit = self._unit or self._kept()  # each record takes the same of the kernel's memory
        return True

    def _flush(self) -> None:
        while self._waiting and self._give(self._waiting[0]):
            self._waiting.popleft()
        if not self._waiting:
            self._descriptors.remove_writer(self.socket.fileno())

    def close(self) -> None:
        self._descriptors.remove_reader(self.socket.fileno())
        self._descriptors.remove_writer(self.socket.fileno())
        self.socket.close()


class LinesHandle:
    """A descriptor that holds lines."""

    def __init__(self, request: LineRequest) -> None:
        self.request = request
        self.end: _End | None = None

    def close(self) -> None:
        """The last reference is gone."""
        self.request.close()

    def __str__(self) -> str:
        """What it is, for people."""
        offsets = self.request.offsets
        return f"line{'s' * (len(offsets) > 1)} {', '.join(map(str, offsets))} of {self.request.chip_name}"


class ChipHandle:
    """A descriptor of the device.  *version* is the first by which it was asked to watch, 0 before."""

    def __init__(self, chip: GpioChip) -> None:
        self.version: Literal[0, 1, 2] = 0
        self.end: _End | None = None
        self.watch: Watch | None = None
        self._chip = chip

    def __str__(self) -> str:
        """What it is, for people."""
        return self._chip.name

    def watch_from_now(self) -> Watch:
        """Hear of the lines that are added to the watch."""
        if self.watch is None:
            self.watch = self._chip.watch(self._on_change)
        return self.watch

    def _on_change(self, news: InfoChanged) -> None:
        if self.end is not None and self.end.unread() < _MOST_NEWS:
            self.end.send(changed_record(self.version, news))

    def close(self) -> None:
        """The last reference is gone."""
        if self.watch is not None:
            self.watch.close()


class LineHandles(ABC):
    """All descriptors of the chip in the hands of one tree."""

    def __init__(self, chip: GpioChip, descriptors: Descriptors) -> None:
        self.chip = chip
        self._descriptors = descriptors
        self._handles: dict[Device, LinesHandle | ChipHandle] = {}

    def find(self, task: Caller, descriptor: int) -> LinesHandle | ChipHandle | None:
        """What a descriptor is; None where it is none of ours."""
        status = file_behind(task, descriptor)
        if status is None:
            return None
        if stat.S_ISSOCK(status.st_mode):
            return self._handles.get((status.st_dev, status.st_ino))
        return ChipHandle(self.chip) if stat.S_ISCHR(status.st_mode) and status.st_rdev == _NUMBER else None

    # -- how a task comes by one ----------------------------------------------------

    @abstractmethod
    def give(
        self, task: Caller, handle: LinesHandle | ChipHandle, *, flags: int, instead_of: int | None = None
    ) -> Steps:
        """The task has *handle* at a new descriptor, or *instead_of* one that it has; which, or an error.

        *flags* are O_CLOEXEC and O_NONBLOCK, as they are to be.
        """

    @abstractmethod
    def take_back(self, task: Caller, handle: LinesHandle, descriptor: int) -> Steps:
        """The task was never to have what it has been given; its result is of no concern."""

    @abstractmethod
    def _holders(self) -> Iterable[Memory]:
        """Those who may hold one."""

    def _adopt(self, ours: socket.socket, name: Device, handle: LinesHandle | ChipHandle) -> None:
        """The other end of *ours*, which is called *name*, is *handle* from now on."""
        ours.settimeout(0)
        with contextlib.suppress(OSError):  # only root may have so much
            ours.setsockopt(socket.SOL_SOCKET, _SO_SNDBUFFORCE, _ROOM_BYTES)
        handle.end = _End(ours, name, self._descriptors)
        self._handles[name] = handle
        # Whoever closes a handle and then asks by another way gets an answer that knows of the closing.
        self._descriptors.add_reader(ours.fileno(), lambda: self._look(handle), comes_first=True)
        if isinstance(handle, LinesHandle):
            handle.request.on_event = lambda event: self._on_event(handle, event)

    # -- how it goes ------------------------------------------------------------------

    def close(self) -> None:
        """Let go of everything."""
        for handle in list(self._handles.values()):
            self._close(handle)

    def _look(self, handle: LinesHandle | ChipHandle) -> None:
        """Nothing is ever written to a handle that means anything: it is readable when it is closed."""
        if handle.end is None:
            return
        with contextlib.suppress(BlockingIOError):
            try:
                if handle.end.socket.recv(4096):
                    return
            except ConnectionResetError:  # closed with records unread
                pass
            self._close(handle)

    def _close(self, handle: LinesHandle | ChipHandle) -> None:
        if handle.end is not None:
            del self._handles[handle.end.name]
            handle.end.close()
            handle.end = None
        handle.close()

    # -- edges --------------------------------------------------------------------

    def _on_event(self, handle: LinesHandle, event: LineEvent) -> None:
        end, request = handle.end, handle.request
        if end is None:
            return
        if end.unread() >= request.room:
            if request.kind == "event":  # the first version loses the newest, the second the oldest
                return
            self._drop_oldest(end, EVENT_SIZE["lines"])
        end.send(event_record(request.kind, event))

    def _drop_oldest(self, end: _End, size: int) -> None:
        """Read the first record in the reader's stead, at any of its descriptors."""
        for process in self._holders():
            for descriptor, status in files_of(process):
                if (status.st_dev, status.st_ino) != end.name:
                    continue
                taken = kernel.borrow(process.pid, descriptor)
                if taken is not None:
                    with socket.socket(fileno=taken) as theirs, contextlib.suppress(OSError):
                        theirs.recv(size, socket.MSG_DONTWAIT)
                    return
