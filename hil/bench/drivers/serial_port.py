"""A serial port by pyserial: a device node, a name below /dev/serial, `rfc2217://` or `socket://`."""

from __future__ import annotations

import contextlib
import errno
import select
import socket
import termios
import threading
import time
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final
from urllib.parse import urlsplit

import serial
from pydantic import field_validator

from hil.bench.interface import ControlLines
from hil.errors import BenchUnfitError, PartMissingError

from .contracts import DriverOptions, Link, LinkLostError, PortDriver

# How long a TCP server may take to accept, and a write to go out.
_CONNECT_S: Final = 0.5
_WRITE_S: Final = 10.0
_SCHEMES: Final = ("rfc2217", "socket")
_PARITIES: Final = {"N": serial.PARITY_NONE, "E": serial.PARITY_EVEN, "O": serial.PARITY_ODD}
# What these errors say of the bench, whoever opens the port.
CURES: Final = {
    errno.EACCES: ("no permission", "add the user to the group that owns it (often dialout)"),
    errno.EPERM: ("no permission", "add the user to the group that owns it (often dialout)"),
    errno.EBUSY: ("another program has it", "end that program (fuser names it)"),
    errno.EAGAIN: ("another program has it", "end that program (fuser names it)"),
}

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator


class SerialLink(Link):
    """An open pyserial object."""

    def __init__(self, target: str, *, baud: int, framing: str) -> None:
        self._target = target
        self._serial: Any = serial.serial_for_url(target, do_not_open=True)
        self._serial.baudrate = baud
        self._frame(framing)
        self._serial.timeout = 0
        self._is_device = "://" not in target
        if self._is_device:
            self._serial.write_timeout = _WRITE_S
            self._serial.exclusive = True
        with self._refusals_told(framing):
            self._serial.open()

    @contextlib.contextmanager
    def _refusals_told(self, framing: str | None, baud: int | None = None) -> Iterator[None]:
        """A device that cannot be set so (a pseudo-terminal knows no parity) lacks it; it is not broken.

        Some kernels refuse, some take it and leave it out; a server says what it is set to instead.
        """
        try:
            yield
            is_set = not self._is_device or framing is None or self._has(framing)
        except (termios.error, ValueError):
            is_set = False
        if not is_set:
            self.close()
            part = f"rate {baud}" if framing is None else f"framing {framing}"
            raise PartMissingError(part=part, why=f"{self._target} cannot be set to it")

    def _has(self, framing: str) -> bool:
        """Whether the device has taken data bits and parity."""
        flags = termios.tcgetattr(self._serial.fileno())[2]
        bits = {"5": termios.CS5, "6": termios.CS6, "7": termios.CS7, "8": termios.CS8}.get(framing[0])
        has_parity = bool(flags & termios.PARENB)
        return flags & termios.CSIZE == bits and has_parity is (framing[1] != "N")

    def read(self, timeout_s: float) -> bytes:
        """What has come."""
        try:
            if self._is_device:
                readable, _, _ = select.select([self._serial.fileno()], (), (), timeout_s)
                if not readable:
                    return b""
                return bytes(self._serial.read(self._serial.in_waiting or 1))
            if self._serial.timeout != timeout_s:  # over RFC 2217 each change sets the whole line anew
                self._serial.timeout = timeout_s
            first = self._serial.read(1)
            return bytes(first + self._serial.read(self._serial.in_waiting)) if first else b""
        except (OSError, TypeError, ValueError) as error:  # the latter two from a handle closed meanwhile
            raise LinkLostError(str(error)) from error

    def write(self, data: bytes) -> None:
        """Send *data* whole."""
        try:
            self._serial.write(data)
        except OSError as error:
            raise LinkLostError(str(error)) from error

    def set_line(
        self, *, baud: int | None = None, framing: str | None = None, rtscts: bool | None = None
    ) -> None:
        """Change the line."""
        try:
            if baud is not None:
                with self._refusals_told(None, baud):
                    self._serial.baudrate = baud
            if framing is not None:
                with self._refusals_told(framing):
                    self._frame(framing)
            if rtscts is not None:
                self._serial.rtscts = rtscts
        except OSError as error:
            raise LinkLostError(str(error)) from error

    def _frame(self, framing: str) -> None:
        self._serial.bytesize, self._serial.stopbits = int(framing[0]), int(framing[2])
        self._serial.parity = _PARITIES[framing[1]]

    def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> None:
        """Drive DTR or RTS."""
        try:
            if dtr is not None:
                self._serial.dtr = dtr
            if rts is not None:
                self._serial.rts = rts
        except OSError as error:
            raise self._translated(error) from error

    @property
    def control_lines(self) -> ControlLines:
        """What the module drives."""
        one = self._serial
        try:
            return ControlLines(cts=one.cts, dsr=one.dsr, dcd=one.cd, ri=one.ri)
        except OSError as error:
            raise self._translated(error) from error

    def send_break(self, seconds: float) -> None:
        """Hold the transmit line low."""
        try:
            self._serial.break_condition = True
            time.sleep(seconds)
            self._serial.break_condition = False
        except OSError as error:
            raise self._translated(error) from error

    def close(self) -> None:
        """Close it, also where the device is gone."""
        # pyserial 3.5 forgets the socket of a server that has hung up without closing it.
        inner = getattr(self._serial, "_socket", None)
        with contextlib.suppress(OSError):
            self._serial.close()
        if inner is not None:
            inner.close()

    def _translated(self, error: OSError) -> Exception:
        if error.errno in (errno.ENOTTY, errno.EINVAL):
            return PartMissingError(part="modem-control lines", why=f"{self._target} does not carry them")
        return LinkLostError(str(error))


def _host_name(path: Path) -> str:
    """What the host calls the device at the end of the links, or on the way there."""
    while path.is_symlink() and not path.name.startswith("tty"):
        path = path.parent / path.readlink()
    return path.name


def _address(device: str) -> tuple[str, int]:
    """Host and TCP port of a URL; raises ValueError for one that is none of ours."""
    try:
        url = urlsplit(device)
        host, number = url.hostname, url.port
    except ValueError:  # a number that is none
        host = number = None
    if host is None or number is None or url.scheme not in _SCHEMES:
        raise ValueError(f"expected a path, or {' or '.join(f'{name}://HOST:NUMBER' for name in _SCHEMES)}")
    return host, number


class SerialPort(PortDriver):
    """A port at *device*.

    A path is there while the file is; a URL while it accepts a connection, which whoever serves it sees as an
    opening.  *adaptor* says that it hangs on an adaptor that is part of the bench, so that its going away is
    the bench's fault and not the module's: such a URL is taken to be there until it cannot be opened.
    """

    class Options(DriverOptions):
        """Its keys in a bench file."""

        device: str
        adaptor: bool = False

        @field_validator("device")
        @classmethod
        def _known(cls, device: str) -> str:
            if "://" in device:
                _address(device)
            return device

        def resources(self) -> Collection[str]:
            """The device, by the name that the bench file gives it."""
            return [f"serial:{self.device}"]

    def __init__(self, options: Options, part: str) -> None:
        self._device, self._part = options.device, part
        self.is_module_s_own = not options.adaptor
        self._is_url = "://" in options.device
        self.looks_every_s = 0.1 if self._is_url else 0.01
        self._link: SerialLink | None = None
        # A server has one client at a time: who looks and who opens wait for each other.
        self._lock = threading.Lock()

    def node(self) -> str | None:
        """The device's own name; the address of a URL."""
        if not self._is_url:
            path = Path(self._device)
            return _host_name(path) if path.exists() else None
        netloc = urlsplit(self._device).netloc
        if not self.is_module_s_own:
            return netloc
        with self._lock:
            return netloc if self._link is not None or self._accepts() else None

    def _accepts(self) -> bool:
        """Whether a connection can be had; the server has let go of it again then, if it soon does."""
        try:
            with socket.create_connection(_address(self._device), timeout=_CONNECT_S) as probe:
                with contextlib.suppress(OSError):
                    probe.shutdown(socket.SHUT_WR)
                    while probe.recv(4096):
                        pass
                return True
        except OSError:
            return False

    def open(self, *, baud: int, framing: str) -> Link:
        """Open it."""
        with self._lock:
            try:
                self._link = _Remembered(self, self._device, baud=baud, framing=framing)
            except OSError as error:
                if error.errno in CURES:
                    reason, cure = CURES[error.errno]
                    raise BenchUnfitError(
                        part=self._part, reason=f"{self._device}: {reason}", cure=cure
                    ) from error
                if self._is_url and not self.is_module_s_own:
                    raise BenchUnfitError(
                        part=self._part,
                        reason=f"{self._device} cannot be opened ({error})",
                        cure="look at its server, and who else uses it",
                    ) from error
                raise LinkLostError(str(error)) from error
            return self._link

    def close(self) -> None:
        """Let go of what is open."""
        if self._link is not None:
            self._link.close()

    def check(self) -> str:
        """Whether it is there now, and can be opened."""
        node = self.node()
        if node is None:
            return f"{self._device} is not there now (is the module on?)"
        if self._is_url:
            with self._lock:
                if self._link is None and not self._accepts():
                    raise BenchUnfitError(
                        part=self._part,
                        reason=f"{node} accepts no connections",
                        cure="look at its server, and who else uses it",
                    )
            return f"{node} accepts connections"
        self.open(baud=115200, framing="8N1").close()
        return f"{self._device} is {node} and can be opened"


class _Remembered(SerialLink):
    """A link that its driver knows of while it is open."""

    def __init__(self, driver: SerialPort, target: str, *, baud: int, framing: str) -> None:
        self._driver = driver
        super().__init__(target, baud=baud, framing=framing)

    def close(self) -> None:
        """Close it."""
        super().close()
        if self._driver._link is self:  # noqa: SLF001 # the same file
            self._driver._link = None  # noqa: SLF001 # the same file
