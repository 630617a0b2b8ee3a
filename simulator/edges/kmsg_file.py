"""`/dev/kmsg`: the kernel's messages as a file of records (Documentation/ABI/testing/dev-kmsg).

Each read gives one record, beginning at the reader's place in the whole.  At the end it waits for the next,
or fails at once where the reader does not want to wait; poll(2) tells of what is unread.  What a program
writes is a message of its own.
"""

from __future__ import annotations

import contextlib
import errno
import os
import select
import struct
import threading
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from simulator.host.refusal import fault

from . import fuse_file
from .calls import CallsClosedError
from .fuse_file import FuseFile
from .fuse_mount import take_no_signals

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from simulator.host.kernel_log import KernelLog

    from .fuse_file import Request

_END_S: Final = 2.0
_WRITTEN_AT: Final = 40
_UNREAD: Final = select.POLLIN | select.POLLRDNORM


@dataclass(frozen=True, slots=True)
class _Read:
    """A read, its *number* as a request's: of which open file, where, and how long its buffer is."""

    number: int
    file: int
    place: int
    size: int


class KmsgFile:
    """The file at *place*, until closed; the messages are asked for through *run*.

    `servant` is the thread that takes the kernel's requests, and the descriptor on which it waits for them.
    Raises NoFuseError.
    """

    def __init__(self, place: Path, *, run: Callable[[Callable[[], Any]], Any]) -> None:
        self._run = run
        self._file = FuseFile(place)
        self._log: KernelLog | None = None
        # How far each open file has been read, and who waits or polls until there is more.
        self._places: dict[int, int] = {}
        self._waiting: dict[int, _Read] = {}
        self._pollers: set[int] = set()
        self._last, self._is_ending = 0, False
        self._thread = threading.Thread(target=self._serve, name="kmsg", daemon=True)
        self._thread.start()

    @property
    def servant(self) -> tuple[int, int]:
        """As of any mount."""
        return self._thread.native_id or 0, self._file.descriptor

    def show(self, log: KernelLog) -> None:
        """From now on the messages are those of *log*."""
        self._log = log
        log.said.listen(self._on_said)

    def close(self) -> None:
        """Unmount; harmless when called again.  Who waits gets an error."""
        if self._is_ending:
            return
        self._is_ending = True
        if self._log is not None:
            self._log.said.forget(self._on_said)
        for number in list(self._waiting):
            self._end(number, errno.ENODEV)
        # The one time that this process touches the mount: the thread answers, and ends.
        with contextlib.suppress(OSError):
            os.statvfs(self._file.place)
        self._thread.join(_END_S)
        self._file.close()

    # -- requests, on the thread -------------------------------------------------------

    def _serve(self) -> None:
        take_no_signals()
        try:
            while (request := self._file.receive()) is not None:
                if request.operation == fuse_file.INTERRUPT:
                    # A signal for who waits; nobody else needs to be asked.
                    (number,) = struct.unpack("=Q", request.body)
                    self._end(number, errno.EINTR)
                elif request.operation == fuse_file.STATFS:
                    self._file.reply(request.number, fuse_file.file_system())
                    if self._is_ending:
                        return
                elif request.operation not in (fuse_file.FORGET, fuse_file.BATCH_FORGET):
                    self._ask(request)
        finally:
            self._file.abort()

    def _ask(self, request: Request) -> None:
        try:
            self._run(lambda: self._answer(request))
        except CallsClosedError:
            self._file.reply(request.number, error=errno.ENODEV)

    # -- answers, where the model is ---------------------------------------------------

    def _answer(self, request: Request) -> None:
        act = {
            fuse_file.GETATTR: self._get_attributes,
            fuse_file.SETATTR: self._set_attributes,
            fuse_file.OPEN: self._open,
            fuse_file.RELEASE: self._release,
            fuse_file.READ: self._read,
            fuse_file.WRITE: self._write,
            fuse_file.POLL: self._poll,
            fuse_file.SEEK: self._seek,
        }.get(request.operation)
        try:
            if act is None:
                raise fault(errno.ENOSYS)
            body = act(request)
        except OSError as error:
            self._file.reply(request.number, error=error.errno or errno.EIO)
        else:
            if body is not None:
                self._file.reply(request.number, body)

    def _get_attributes(self, request: Request) -> bytes:
        """It has no size, as a device has none, but for who moves to its end (lseek(2))."""
        flags, _, file = struct.unpack("=IIQ", request.body)
        if not flags & fuse_file.ABOUT_A_FILE:
            return fuse_file.attributes(0)
        self._places[file] = self._size
        return fuse_file.attributes(self._size)

    def _set_attributes(self, request: Request) -> bytes:
        del request  # a shell's redirection truncates; the kernel shrugs
        return fuse_file.attributes(0)

    def _seek(self, request: Request) -> bytes:
        """Beyond what has been cleared (SEEK_DATA): nothing ever is."""
        file, _, whence = struct.unpack_from("=QQI", request.body)
        if whence != os.SEEK_DATA:
            raise fault(errno.EINVAL)
        self._places[file] = 0
        return bytes(8)

    def _open(self, request: Request) -> bytes:
        del request
        self._last += 1
        self._places[self._last] = 0
        return fuse_file.opened(self._last)

    def _release(self, request: Request) -> bytes:
        del self._places[struct.unpack_from("=Q", request.body)[0]]
        return b""

    def _read(self, request: Request) -> bytes | None:
        file, place, size, _, _, flags = struct.unpack_from("=QQIIQI", request.body)
        read = _Read(request.number, file, place, size)
        record = self._record(read)
        if record is None:
            if flags & os.O_NONBLOCK:
                raise fault(errno.EAGAIN)
            self._waiting[read.number] = read
        return record

    def _write(self, request: Request) -> bytes:
        _, _, size = struct.unpack_from("=QQI", request.body)
        if self._log is not None:
            self._log.write(request.body[_WRITTEN_AT : _WRITTEN_AT + size].decode("utf-8", "replace"))
        return struct.pack("=II", size, 0)

    def _poll(self, request: Request) -> bytes:
        file, poller, flags, _ = struct.unpack("=QQII", request.body)
        is_unread = self._places[file] < self._size
        if not is_unread and flags & fuse_file.WANTS_TO_BE_TOLD:
            self._pollers.add(poller)
        return struct.pack("=II", _UNREAD if is_unread else 0, 0)

    # -- messages ----------------------------------------------------------------------

    @property
    def _size(self) -> int:
        return 0 if self._log is None else self._log.size

    def _record(self, read: _Read) -> bytes | None:
        """The record that is read, None where it has not come yet; EINVAL for one beyond the buffer."""
        if self._log is None or read.place >= self._log.size:
            return None
        record = self._log.record_at(read.place)
        if len(record) > read.size:
            raise fault(errno.EINVAL)
        self._places[read.file] = read.place + len(record)
        return record

    def _on_said(self, news: None) -> None:
        """There is one more."""
        del news
        for number in list(self._waiting):
            read = self._waiting.pop(number, None)
            if read is None:
                continue  # a signal has come first
            try:
                record = self._record(read)
            except OSError as error:
                self._file.reply(number, error=error.errno or errno.EIO)
            else:
                self._file.reply(number, record or b"")
        pollers, self._pollers = self._pollers, set()
        for poller in pollers:
            self._file.tell_poller(poller)

    def _end(self, number: int, error: int) -> None:
        """A read that waits ends with an error; one that does not has been answered."""
        if self._waiting.pop(number, None) is not None:
            self._file.reply(number, error=error)
