"""One file mounted by FUSE, in the kernel's own terms (linux/fuse.h): requests in, replies when they can be.

The library's interface wants each reply before it takes the next request; a read that waits for what is yet
to come, and ends when a signal comes for its program, cannot be had there.
"""

from __future__ import annotations

import contextlib
import ctypes
import errno
import os
import socket
import stat
import struct
import subprocess
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from .fuse_mount import NoFuseError, missing_for_fuse, unmount

if TYPE_CHECKING:
    from pathlib import Path

# Operations.
FORGET, GETATTR, SETATTR, OPEN, READ, WRITE, STATFS, RELEASE = 2, 3, 4, 14, 15, 16, 17, 18
INIT, INTERRUPT, DESTROY, POLL, BATCH_FORGET, SEEK = 26, 36, 38, 40, 42, 46
# A request for attributes that is about one open file: a program looks for the file's end (fs/fuse/file.c).
ABOUT_A_FILE: Final = 1
# Whoever polls is to be told once anything has come.
WANTS_TO_BE_TOLD: Final = 1

_HEAD: Final = struct.Struct("=IIQQIIIHH")
_REPLY: Final = struct.Struct("=IiQ")
_TELL_POLLER: Final = 1
_DIRECT_IO: Final = 1
# The version that is spoken here, of which more recent kernels know.
_MAJOR, _MINOR = 7, 31
# The longest write, and a buffer for any request.
_LONGEST, _BUFFER = 4096, 1 << 16
# sys/mount.h.
_MS_NOSUID, _MS_NODEV = 2, 4


@dataclass(frozen=True, slots=True)
class Request:
    """One request: its operation, its number, and what follows the head."""

    operation: int
    number: int
    body: bytes


class FuseFile:
    """The file at *place*, until it is closed; `descriptor` is where requests come from.

    Raises NoFuseError where FUSE cannot be used.
    """

    def __init__(self, place: Path) -> None:
        missing = missing_for_fuse()
        if missing is not None:
            raise NoFuseError(missing)
        self.place = place
        place.touch()
        self.descriptor = _mount(place)

    def receive(self) -> Request | None:
        """The next request, of those that come once both sides know each other; None at the end."""
        while True:
            try:
                data = os.read(self.descriptor, _BUFFER)
            except OSError as error:
                if error.errno in (errno.ENOENT, errno.EINTR, errno.EAGAIN):  # it was interrupted before
                    continue
                return None  # nobody has it mounted any more
            _, operation, number, *_ = _HEAD.unpack_from(data)
            if operation == INIT:
                self.reply(number, _INITIAL)
            else:
                return Request(operation, number, data[_HEAD.size :])

    def reply(self, number: int, body: bytes = b"", *, error: int = 0) -> None:
        """Answer a request; harmless where nobody waits for it any more."""
        self._send(number, -error, body)

    def tell_poller(self, poller: int) -> None:
        """Whoever polls with this handle asks again; harmless where nobody does."""
        self._send(0, _TELL_POLLER, struct.pack("=Q", poller))

    def abort(self) -> None:
        """Take no more requests; those that nobody has answered fail.  Harmless when called again."""
        if self.descriptor >= 0:
            descriptor, self.descriptor = self.descriptor, -1
            os.close(descriptor)

    def close(self) -> None:
        """The same, and unmount it."""
        self.abort()
        unmount(self.place)

    def _send(self, number: int, code: int, body: bytes) -> None:
        with contextlib.suppress(OSError):
            os.write(self.descriptor, _REPLY.pack(_REPLY.size + len(body), code, number) + body)


_INITIAL: Final = struct.pack("=IIIIHHIIHHI28x", _MAJOR, _MINOR, 0, 0, 0, 0, _LONGEST, 1, 0, 0, 0)


def opened(file: int) -> bytes:
    """An open file: its number; nothing of it is kept by the kernel."""
    return struct.pack("=QIi", file, _DIRECT_IO, 0)


def attributes(size: int) -> bytes:
    """A regular file of so many bytes, root's, which is to be asked for again each time."""
    mode = stat.S_IFREG | 0o644
    times = bytes(36)
    return (
        bytes(16)
        + struct.pack("=QQQ", 1, size, 0)
        + times
        + struct.pack("=IIIIIII", mode, 1, os.getuid(), os.getgid(), 0, 512, 0)
    )


def file_system() -> bytes:
    """struct fuse_kstatfs: nothing to speak of."""
    return struct.pack("=QQQQQIIII24x", 0, 0, 0, 0, 0, 512, 255, 512, 0)


def _mount(place: Path) -> int:
    descriptor = os.open("/dev/fuse", os.O_RDWR | os.O_CLOEXEC)
    options = f"fd={descriptor},rootmode=100644,user_id={os.getuid()},group_id={os.getgid()}"
    libc = ctypes.CDLL(None)
    if libc.mount(b"wakebench", os.fsencode(place), b"fuse", _MS_NOSUID | _MS_NODEV, options.encode()) == 0:
        return descriptor
    os.close(descriptor)
    return _mounted_by_a_program(place)


def _mounted_by_a_program(place: Path) -> int:
    """For those who may not mount: the descriptor comes through a socket (fusermount3's own way)."""
    ours, theirs = socket.socketpair()
    with ours, theirs:
        done = subprocess.run(
            ["fusermount3", "-o", "fsname=wakebench", "--", str(place)],  # noqa: S607 # wherever it is
            env={**os.environ, "_FUSE_COMMFD": str(theirs.fileno())},
            pass_fds=[theirs.fileno()],
            check=False,
            capture_output=True,
            text=True,
        )
        if done.returncode != 0:
            raise NoFuseError(
                f"the mount at {place} failed ({done.stderr.strip()}): may this user mount FUSE?"
            )
        _, (descriptor, *_), _, _ = socket.recv_fds(ours, 1, 1)
    os.set_inheritable(descriptor, False)  # noqa: FBT003 # as os has it
    return int(descriptor)
