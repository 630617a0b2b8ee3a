"""Our port object on a simulated bench: its reads and writes are what moves the model's time.

On a pty there is a real, non-blocking pyserial object beneath.  The port knows how many bytes are on
their way from the module, so that what one read returns never depends on how fast the kernel was.
"""

from __future__ import annotations

import contextlib
import select
from abc import abstractmethod
from typing import TYPE_CHECKING, Final

import serial

from hil.bench.interface import ControlLines, Port
from hil.errors import BenchUnfitError, PortGoneError
from simulator.kernel.timeline import ns
from simulator.module.framing import LineSettings

if TYPE_CHECKING:
    from simulator.edges.memory import MemoryEdge
    from simulator.edges.pacing import Driver
    from simulator.edges.pty_port import PtyEdge
    from simulator.module.port import Port as ModulePort

# A pty takes 4 KiB at once; smaller pieces leave room for the echo.
_PIECE: Final = 2048
# How long the kernel may take to hand over what it has accepted, in wall seconds.
_KERNEL_S: Final = 5.0


class SimulatedPort(Port):
    """What pty and memory ports share."""

    def __init__(self, port: ModulePort, driver: Driver, line: LineSettings) -> None:
        self.role, self.node = port.role, port.node
        self._port, self._driver = port, driver
        self.is_closed = False
        self._life = port.lives
        self._line, self._rtscts = line, False

    @property
    def _is_gone(self) -> bool:
        return not self._port.is_present or self._port.lives != self._life

    @property
    def is_open(self) -> bool:
        """Whether the port is open and still there."""
        return not (self.is_closed or self._is_gone)

    def write(self, data: bytes) -> None:
        """Send *data*; the module has it when the call returns."""
        self._refuse_dead()
        for start in range(0, len(data), _PIECE):
            self._put(data[start : start + _PIECE])
            self._driver.settle()

    def read(self, size: int = 4096, *, timeout_s: float = 0.0) -> bytes:
        """Up to *size* bytes as soon as there are any; empty once *timeout_s* has passed."""
        self._refuse_dead()
        driver = self._driver
        waiting = self._waiting()
        if not waiting:
            until_ns = driver.model.timeline.now_ns + ns(timeout_s)
            driver.wait(until_ns, self._has_news)
            if self._is_gone:
                self._refuse_dead()
            waiting = self._waiting()
        return self._take(min(size, waiting)) if waiting else b""

    def discard_input(self) -> None:
        """Drop what has come and has not been read."""
        self._refuse_dead()
        self._driver.settle()
        while waiting := self._waiting():
            self._take(waiting)

    def set_line(
        self, *, baud: int | None = None, framing: str | None = None, rtscts: bool | None = None
    ) -> None:
        """Change the rate, the framing, or whether CTS is heeded.

        A pty carries no parity and always eight bits, so the model is told beside it.
        """
        self._refuse_dead()
        self._driver.settle()
        line = self._line
        if framing is not None:
            line = LineSettings.of(line.baud, framing)
        if baud is not None:
            line = line._replace(baud=baud)
        self._line, self._rtscts = line, self._rtscts if rtscts is None else rtscts
        self._set_beneath(line.baud)
        self._port.settings(line, rtscts=self._rtscts)

    def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> None:
        """Drive DTR or RTS."""
        self._refuse_dead()
        self._driver.settle()
        self._port.set_lines(dtr=dtr, rts=rts)

    @property
    def control_lines(self) -> ControlLines:
        """What the module drives now."""
        self._refuse_dead()
        self._driver.settle()
        return ControlLines(*self._port.control_lines)

    def send_break(self, seconds: float) -> None:
        """Hold the transmit line low for so long."""
        self._refuse_dead()
        self._driver.settle()
        self._port.set_break(True)
        self._driver.wait(self._driver.model.timeline.now_ns + ns(seconds))
        self._port.set_break(False)

    def close(self) -> None:
        """Close the port; harmless when called again."""
        if not self.is_closed:
            self.is_closed = True
            self._let_go()
            self._driver.settle()

    def _has_news(self) -> bool:
        return self._is_gone or self._waiting() > 0

    def _refuse_dead(self) -> None:
        if self.is_closed:
            raise ValueError(f"port {self.role} is closed")
        if self._is_gone:
            raise PortGoneError(role=self.role, node=self.node)

    @abstractmethod
    def _set_beneath(self, baud: int) -> None:
        """Change the rate of what is beneath."""

    @abstractmethod
    def _put(self, data: bytes) -> None:
        """Hand *data* to the module's side."""

    @abstractmethod
    def _waiting(self) -> int:
        """How many bytes are here or on their way."""

    @abstractmethod
    def _take(self, size: int) -> bytes:
        """Exactly *size* bytes, of which at least so many wait."""

    @abstractmethod
    def _let_go(self) -> None:
        """Close what is beneath."""


class MemoryPort(SimulatedPort):
    """A port without a pty."""

    def __init__(self, port: ModulePort, driver: Driver, edge: MemoryEdge, line: LineSettings) -> None:
        super().__init__(port, driver, line)
        self._edge = edge
        driver.settle()
        edge.hold()
        port.client_opened()
        port.settings(line)

    def _set_beneath(self, baud: int) -> None:
        """There is nothing beneath."""

    def _put(self, data: bytes) -> None:
        self._driver.catch_up()
        self._port.receive(data)

    def _waiting(self) -> int:
        return len(self._edge.waiting)

    def _take(self, size: int) -> bytes:
        return self._edge.take(size)

    def _let_go(self) -> None:
        if not self._is_gone:
            self._edge.waiting.clear()
        self._edge.let_go(self._port, self._life)


class PtyPort(SimulatedPort):
    """A port on a pty, with pyserial beneath."""

    def __init__(self, port: ModulePort, driver: Driver, edge: PtyEdge, line: LineSettings) -> None:
        super().__init__(port, driver, line)
        self._edge = edge
        self._taken = edge.sent
        path = edge.path
        if path is None:
            raise PortGoneError(role=port.role, node=port.node)
        self._serial = serial.Serial(path, baudrate=line.baud, timeout=0, write_timeout=0)
        driver.settle()
        edge.look_at_settings()
        if line.framing != "8N1":
            port.settings(line)

    @property
    def raw(self) -> serial.Serial:
        """The pyserial object beneath, at real pace only: at virtual pace its waits would move no time."""
        if self._driver.is_virtual:
            raise ValueError("the raw port is handed out at real pace only")
        return self._serial

    def _set_beneath(self, baud: int) -> None:
        self._serial.baudrate = baud
        self._edge.look_at_settings()

    def _put(self, data: bytes) -> None:
        written = 0
        while written < len(data):
            written += self._serial.write(data[written:]) or 0
            if written < len(data):
                self._driver.settle()

    def _waiting(self) -> int:
        return self._edge.sent - self._taken

    def _take(self, size: int) -> bytes:
        data: bytes = self._serial.read(size)
        while len(data) < size:
            readable, _, _ = select.select([self._serial.fileno()], (), (), _KERNEL_S)
            if not readable:
                raise BenchUnfitError(
                    part=f"port {self.role}",
                    reason=f"{size - len(data)} bytes are lost in the pty",
                    cure="does another program read the port?",
                )
            data += self._serial.read(size - len(data))
        self._taken += size
        return data

    def _let_go(self) -> None:
        with contextlib.suppress(OSError):  # the pty may be gone
            self._serial.close()
