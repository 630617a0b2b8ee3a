"""Serial ports: a pty, pyserial's own RFC 2217 server, a plain socket, and an interface of a USB device."""

from __future__ import annotations

import contextlib
import os
import select
import socket
import threading
import tty
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial
from pydantic import ValidationError
from serial.rfc2217 import PortManager

from hil.bench.drivers.serial_port import SerialPort
from hil.bench.drivers.usb_port import UsbPort, UsbPortOptions
from hil.errors import BenchUnfitError, PartMissingError
from hil.testing import PortContract

# pyserial 3.5 starts and names its reader the old way.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")


class Echo:
    """The far end of a pty that sends everything back, until it is unplugged."""

    def __init__(self, link: Path) -> None:
        self.link = link
        self._master, slave = os.openpty()
        tty.setraw(slave)
        # Both ends are held, as a driver holds its device while nobody has it open.
        self._slave = slave
        link.symlink_to(os.ttyname(slave))
        self._thread = threading.Thread(target=self._serve, daemon=True)
        self._ends = False
        self._thread.start()

    def _serve(self) -> None:
        while not self._ends:
            data = os.read(self._master, 4096)
            if not self._ends:
                os.write(self._master, data)

    def unplug(self) -> None:
        if self._ends:
            return
        self._ends = True
        os.write(self._slave, b"x")
        self._thread.join()
        self.link.unlink(missing_ok=True)
        os.close(self._slave)
        os.close(self._master)


@pytest.fixture
def echo(tmp_path: Path) -> Iterator[Echo]:
    """A device that sends back."""
    found = Echo(tmp_path / "ttyUSB3")
    yield found
    found.unplug()


class TestDevice(PortContract):
    """A device node."""

    @pytest.fixture
    def port(self, echo: Echo) -> Iterator[SerialPort]:
        found = SerialPort(SerialPort.Options(device=str(echo.link)), "port at")
        yield found
        found.close()

    @pytest.fixture
    def unplug(self, echo: Echo) -> Callable[[], None]:
        return echo.unplug

    def test_lines_that_a_pty_does_not_carry_are_told(self, port: SerialPort) -> None:
        link = port.open(baud=9600, framing="8N1")

        with pytest.raises(PartMissingError, match="modem-control lines"):
            _ = link.control_lines
        link.close()

    @pytest.mark.parametrize("framing", ["8E1", "7O1"])
    def test_a_framing_that_a_pty_does_not_carry_is_a_part_that_is_missing(
        self, port: SerialPort, framing: str
    ) -> None:
        with pytest.raises(PartMissingError, match=f"framing {framing}"):
            port.open(baud=9600, framing=framing)
        link = port.open(baud=9600, framing="8N1")

        with pytest.raises(PartMissingError, match=f"framing {framing}"):
            link.set_line(framing=framing)
        link.close()

    def test_a_port_that_another_program_has_is_told(self, port: SerialPort, echo: Echo) -> None:
        other = serial.Serial(str(echo.link), exclusive=True)
        try:
            with pytest.raises(BenchUnfitError, match="port at: .*another program has it; end that program"):
                port.open(baud=9600, framing="8N1")
        finally:
            other.close()

    def test_a_port_that_may_not_be_opened_is_told(
        self, port: SerialPort, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refuse(_: object) -> None:
            raise serial.SerialException(13, "Permission denied")

        monkeypatch.setattr(serial.Serial, "open", refuse)

        with pytest.raises(BenchUnfitError, match=r"no permission; add the user to the group"):
            port.open(baud=9600, framing="8N1")


class TcpEcho:
    """A server that sends back, plainly or as RFC 2217 has it with pyserial's own port manager."""

    def __init__(self, *, rfc2217: bool) -> None:
        self._rfc2217 = rfc2217
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.number = self._listener.getsockname()[1]
        self._clients: list[socket.socket] = []
        self._accepting = threading.Thread(target=self._accept, daemon=True)
        self._accepting.start()

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            self._clients.append(client)
            threading.Thread(target=self._serve, args=(client,), daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        loop: Any = serial.serial_for_url("loop://", timeout=0)

        class Wire:
            def write(self, data: bytes) -> None:
                client.sendall(data)

        wire: Any = Wire()
        try:
            manager = PortManager(loop, wire) if self._rfc2217 else None
            while data := client.recv(4096):
                if manager is None:
                    client.sendall(data)
                    continue
                loop.write(b"".join(manager.filter(data)))
                client.sendall(b"".join(manager.escape(loop.read(loop.in_waiting))))
        except OSError:
            pass
        client.close()

    def unplug(self) -> None:
        try:
            self._listener.shutdown(socket.SHUT_RDWR)
        except OSError:
            return
        self._listener.close()
        self._accepting.join()  # whoever has got through is known from here on
        for client in self._clients:
            try:
                client.shutdown(socket.SHUT_RDWR)
            except OSError:
                continue


class TestRfc2217(PortContract):
    """pyserial's client and pyserial's port manager, our driver between."""

    scheme = "rfc2217"

    @pytest.fixture
    def server(self) -> Iterator[TcpEcho]:
        found = TcpEcho(rfc2217=self.scheme == "rfc2217")
        yield found
        found.unplug()

    @pytest.fixture
    def port(self, server: TcpEcho) -> Iterator[SerialPort]:
        device = f"{self.scheme}://127.0.0.1:{server.number}"
        found = SerialPort(SerialPort.Options(device=device), "port at")
        yield found
        found.close()

    @pytest.fixture
    def unplug(self, server: TcpEcho) -> Callable[[], None]:
        return server.unplug

    def test_the_lines_are_carried(self, port: SerialPort) -> None:
        if self.scheme != "rfc2217":
            return
        link = port.open(baud=9600, framing="8N1")
        link.set_lines(rts=False, dtr=True)
        link.send_break(0.01)

        assert link.control_lines.ri is False
        link.close()


class TestSocket(TestRfc2217):
    """A plain socket."""

    scheme = "socket"


@pytest.mark.parametrize(
    "device", ["rfc2217://127.0.0.1", "rfc2217://127.0.0.1:x", "loop://", "spy:///dev/x"]
)
def test_a_url_that_is_none_of_the_driver_s_is_refused(device: str) -> None:
    with pytest.raises(ValidationError, match="expected a path, or rfc2217://HOST:NUMBER or socket://HOST:N"):
        SerialPort.Options(device=device)


class OneClient:
    """A server as serial ones are: whoever comes while it has a client is hung up on."""

    def __init__(self) -> None:
        self.served = self.refused = 0
        self._listener = socket.create_server(("127.0.0.1", 0))
        self.device = f"socket://127.0.0.1:{self._listener.getsockname()[1]}"
        threading.Thread(target=self._serve, daemon=True).start()

    def _serve(self) -> None:
        with contextlib.suppress(OSError, ValueError):  # closed
            self._serve_on()

    def _serve_on(self) -> None:
        client: socket.socket | None = None
        while True:
            readable, _, _ = select.select([self._listener, *([client] if client else [])], (), ())
            if self._listener in readable:  # first, as in a server that looks for its client's end later
                found, _ = self._listener.accept()
                if client is None:
                    client, self.served = found, self.served + 1
                else:
                    found.close()
                    self.refused += 1
            elif client is not None:
                data = client.recv(4096)
                client.sendall(data)
                if not data:
                    client.close()
                    client = None

    def close(self) -> None:
        with contextlib.suppress(OSError):  # closed before
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()


@pytest.fixture
def one_client() -> Iterator[OneClient]:
    found = OneClient()
    yield found
    found.close()


def test_looking_for_a_port_does_not_keep_its_server_from_whoever_opens_it(one_client: OneClient) -> None:
    port = SerialPort(SerialPort.Options(device=one_client.device), "port at")
    for _ in range(5):
        assert port.node()
        link = port.open(baud=9600, framing="8N1")
        link.write(b"x")
        assert link.read(1.0) == b"x"
        link.close()
        assert port.node()

    assert one_client.refused == 0


def test_an_adaptor_behind_a_server_is_not_looked_for_and_told_where_it_has_gone(
    one_client: OneClient,
) -> None:
    port = SerialPort(SerialPort.Options(device=one_client.device, adaptor=True), "port uart")
    named = port.node()
    looked = one_client.served
    fit = port.check()
    one_client.close()

    assert (named, looked) == (one_client.device.removeprefix("socket://"), 0)
    assert fit.endswith("accepts connections")
    for action in (port.check, lambda: port.open(baud=9600, framing="8N1")):
        with pytest.raises(BenchUnfitError, match="port uart: .*look at its server, and who else uses it"):
            action()


class TestUsbInterface(PortContract):
    """The third interface of a device at a place on a made bus."""

    @pytest.fixture
    def port(self, echo: Echo, tmp_path: Path) -> UsbPort:
        device = tmp_path / "sys/bus/usb/devices/1-1.2"
        (device / "1-1.2:1.3/ttyUSB3").mkdir(parents=True)
        options = UsbPortOptions(path="1-1.2", interface=3, root=str(tmp_path / "sys"), dev=str(tmp_path))
        del echo
        return UsbPort(options, "port at")

    @pytest.fixture
    def unplug(self, echo: Echo, tmp_path: Path) -> Callable[[], None]:
        def unplug() -> None:
            echo.unplug()
            (tmp_path / "sys/bus/usb/devices/1-1.2/1-1.2:1.3/ttyUSB3").rmdir()

        return unplug

    def test_the_number_that_the_host_gives_it_does_not_matter(self, port: UsbPort, tmp_path: Path) -> None:
        interface = tmp_path / "sys/bus/usb/devices/1-1.2/1-1.2:1.3"
        (interface / "ttyUSB3").rename(interface / "ttyUSB7")
        away = port.node()
        (tmp_path / "ttyUSB3").rename(tmp_path / "ttyUSB7")

        assert (away, port.node()) == (None, "ttyUSB7")
