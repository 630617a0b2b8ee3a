"""One port of the module on a pseudo-terminal.

The port's life is the pty's: a new pty each time it appears, with the settings that the Linux serial
drivers start with (9600 8N1, echo and canonical mode on); the master closed when it vanishes, so
that whoever holds it gets the hang-up.  Opening and closing by clients is seen through inotify.  The
edge holds the slave open itself, so that the settings outlive each client, as a driver's do.
"""

from __future__ import annotations

import contextlib
import fcntl
import os
import pty
import select
import termios
from collections import deque
from typing import TYPE_CHECKING, Final

from inotify_simple import INotify, flags

from .line_settings import read_settings

if TYPE_CHECKING:
    from collections.abc import Callable

    from inotify_simple import Event

    from simulator.module.port import Port

    from .descriptors import Descriptors
    from .line_settings import TerminalSettings

_OPENED: Final = flags.OPEN
_CLOSED: Final = flags.CLOSE_WRITE | flags.CLOSE_NOWRITE

# What a client that never reads may leave unread beyond the kernel's own buffer, before bytes are lost: more
# than the longest reply, two full stores of messages.
OUTPUT_LIMIT: Final = 262144
# A pty hands over 4 KiB at once.
_CHUNK: Final = 4096

# Linux USB serial drivers start with 9600 8N1 (include/linux/tty_driver and drivers/usb/serial, from memory).
_START_BAUD: Final = termios.B9600


class Openings:
    """One inotify descriptor for all ptys of a bench; a watch outlives its pty while a handle is held.

    A client may come before the closing of the one before has been looked at.  Whoever reads from a pty asks
    here first who has come meanwhile: what was read is the newcomer's.
    """

    def __init__(self) -> None:
        self._notify = INotify()
        self._listeners: dict[int, Callable[[bool], None]] = {}
        self._untold: deque[Event] = deque()
        self._poll = select.poll()
        self._poll.register(self.fileno(), select.POLLIN)

    def fileno(self) -> int:
        """Readable while an opening or closing has not been looked at."""
        return int(self._notify.fd)

    def watch(self, path: str, listener: Callable[[bool], None]) -> int:
        """Tell *listener* of each opening (True) and closing (False) of *path*."""
        watch: int = self._notify.add_watch(path, _OPENED | _CLOSED)
        self._listeners[watch] = listener
        return watch

    def forget(self, watch: int) -> None:
        """Watch no longer."""
        if self._listeners.pop(watch, None) is not None:
            with contextlib.suppress(OSError):  # the kernel drops a watch together with its file
                self._notify.rm_watch(watch)

    def process(self) -> None:
        """Tell the listeners what has happened."""
        self._look()
        self.tell_rest()

    def tell_rest(self) -> None:
        """Tell what has been looked at already and is not told."""
        while self._untold:
            self._tell(self._untold.popleft())

    def process_openings(self, watch: int) -> None:
        """Tell what has happened up to the last opening seen by *watch*."""
        self._look()
        while self._untold and self.is_opened_again(watch):
            self._tell(self._untold.popleft())

    def is_opened_again(self, watch: int) -> bool:
        """Whether there is an opening that the listener of *watch* does not know of."""
        self._look()
        return any(event.wd == watch and event.mask & _OPENED for event in self._untold)

    def close(self) -> None:
        """Let go of every watch."""
        self._listeners.clear()
        self._untold.clear()
        self._notify.close()

    def _look(self) -> None:
        if self._poll.poll(0):
            self._untold.extend(self._notify.read(timeout=0))

    def _tell(self, event: Event) -> None:
        listener = self._listeners.get(event.wd)
        if listener is not None and event.mask & (_OPENED | _CLOSED):
            listener(bool(event.mask & _OPENED))


class _Pty:
    """One appearance of the port; it outlives the port while a client holds a dead handle."""

    def __init__(self) -> None:
        self.master, self.slave = pty.openpty()
        self.path = os.ttyname(self.slave)
        status = os.fstat(self.slave)
        self.device = status.st_dev, status.st_rdev
        os.set_blocking(self.master, False)
        settings = termios.tcgetattr(self.slave)
        settings[4] = settings[5] = _START_BAUD
        termios.tcsetattr(self.slave, termios.TCSANOW, settings)
        self.handles = 0
        self.watch = 0
        self.is_live = True
        self.own_close_is_due = False

    def hang_up(self) -> None:
        self.is_live = False
        os.close(self.master)
        os.close(self.slave)


class PtyEdge:
    """Carries one port on ptys.

    *on_freed* is told the node's name once the port has vanished and its last handle is closed.
    `sent` and `received` count the bytes that went to and came from the kernel since the port
    appeared, so that a client in the same process knows what is still on its way.
    """

    def __init__(
        self,
        port: Port,
        *,
        descriptors: Descriptors,
        openings: Openings,
        on_freed: Callable[[str], None],
    ) -> None:
        self.port = port
        self.sent = self.received = 0
        self._descriptors, self._openings, self._on_freed = descriptors, openings, on_freed
        self._pty: _Pty | None = None
        self._pending = bytearray()
        self._seen_settings: TerminalSettings | None = None
        self._settings_due = False
        # Whether anybody holds the pty with that device number, where somebody knows.
        self.is_held: Callable[[tuple[int, int]], bool] | None = None
        port.edge = self

    @property
    def path(self) -> str | None:
        """The slave's path while the port is there."""
        return self._pty.path if self._pty else None

    @property
    def slave(self) -> int | None:
        """The slave's descriptor while the port is there."""
        return self._pty.slave if self._pty else None

    def appear(self, port: Port) -> None:
        """A fresh pty."""
        del port
        device = self._pty = _Pty()
        self._pending.clear()
        self.sent = self.received = 0
        self._seen_settings = None
        self._descriptors.add_reader(device.master, self.pump)
        device.watch = self._openings.watch(
            device.path, lambda opened: self._on_handle(device, opened=opened)
        )

    def vanish(self, port: Port) -> None:
        """Hang up on whoever holds the port; its number stays taken until they let go."""
        device, self._pty = self._pty, None
        if device is None:
            return
        self._unhook(device)
        device.hang_up()
        node = port.node
        if device.handles == 0:
            self._openings.forget(device.watch)
            self._on_freed(node)
        else:
            # Letting go of our own slave is a closing too, and will be told as one.
            device.own_close_is_due = True
            device.path = node  # the path means nothing any more; the number it holds does

    def deliver(self, port: Port, data: bytes) -> None:
        """Bytes for the client, now if the kernel takes them; past the limit they are lost."""
        if not self._pending:
            data = data[self._write(data) :]
            if not data:
                return
            if self._pty is not None:
                self._descriptors.add_writer(self._pty.master, self._flush)
        room = OUTPUT_LIMIT - len(self._pending)
        if len(data) > room:
            port.lose(data[room:])
        self._pending += data[:room]

    def pump(self) -> bool:
        """Move what can be moved now; True where bytes came from the client."""
        device = self._pty
        if device is None:
            return False
        try:
            data = os.read(device.master, _CHUNK)
        except BlockingIOError:
            return False
        except OSError:  # no client and nothing left (EIO)
            return False
        self._openings.process_openings(device.watch)
        self.received += len(data)
        if self._settings_due or self.port.role == "uart":
            self.look_at_settings()
        self.port.receive(data)
        self._openings.tell_rest()
        return True

    def close(self) -> None:
        """Let go of the pty, for good."""
        if self._pty is not None:
            self._unhook(self._pty)
            self._openings.forget(self._pty.watch)
            self._pty.hang_up()
            self._pty = None
        self.port.edge = None

    def _unhook(self, device: _Pty) -> None:
        self._pending.clear()
        self._descriptors.settled(device.slave)
        self._descriptors.remove_reader(device.master)
        self._descriptors.remove_writer(device.master)

    def _flush(self) -> None:
        """The client has read: pass on what waits."""
        del self._pending[: self._write(bytes(self._pending))]
        if not self._pending and self._pty is not None:
            self._descriptors.remove_writer(self._pty.master)

    def _write(self, data: bytes) -> int:
        if self._pty is None:
            return len(data)
        try:
            written = os.write(self._pty.master, data)
        except BlockingIOError:
            written = 0
        self.sent += written
        self._descriptors.unsettle(self._pty.slave, self._pty.master)
        return written

    def _on_handle(self, device: _Pty, *, opened: bool) -> None:
        if opened:
            device.handles += 1
            if device.is_live:
                self._settings_due = True
                self.port.client_opened()
            return
        if device.own_close_is_due:
            device.own_close_is_due = False
            return
        if device.is_live and not self._openings.is_opened_again(device.watch):
            while self.pump():
                pass  # what the client wrote before it closed comes first
        device.handles = self._handles_left(device)
        if device.is_live:
            self.look_at_settings()
            while self.port.clients > device.handles:
                self.port.client_closed()
            if device.handles == 0:
                self._last_close(device)
        elif device.handles == 0:
            self._openings.forget(device.watch)
            self._on_freed(device.path)

    def _handles_left(self, device: _Pty) -> int:
        """How many handles are left after a closing: two in a row may be told as one (inotify(7))."""
        left = max(0, device.handles - 1)
        if self.is_held is None:
            return left
        return max(1, left) if self.is_held(device.device) else 0

    def _last_close(self, device: _Pty) -> None:
        """As a serial driver does at the last close: unread bytes and exclusive use go, the settings stay."""
        self._pending.clear()
        self._descriptors.remove_writer(device.master)
        termios.tcflush(device.slave, termios.TCIFLUSH)
        fcntl.ioctl(device.slave, termios.TIOCNXCL)
        self.sent = self.received = 0

    def look_at_settings(self) -> None:
        """Tell the port if its line is set otherwise than it was."""
        device = self._pty
        if device is None:
            return
        self._settings_due = False
        settings = read_settings(device.slave)
        if settings == self._seen_settings:
            return
        self._seen_settings = settings
        if settings.line is None:  # B0 hangs up (POSIX, General Terminal Interface)
            self.port.set_lines(dtr=False, rts=False)
        else:
            self.port.settings(settings.line, rtscts=settings.rtscts)
