"""Ptys as the host meets them: settings at first, openings, hang-up, numbers, floods."""

from __future__ import annotations

import errno
import os
import select
import termios
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from simulator.edges.pacing import Driver
from simulator.edges.port_edges import PtyEdges
from simulator.edges.pty_port import OUTPUT_LIMIT
from simulator.kernel.timeline import ns
from simulator.model import Model

Build = Callable[..., Model]


class Ports:
    """A ready module's ports on ptys, at virtual pace, and clients by descriptor."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.driver = Driver(model, factor=None)
        self.edges = PtyEdges(model, self.driver.descriptors)
        model.start()
        self.clients: list[int] = []

    def open(self, role: str = "at", *, raw: bool = True) -> int:
        path = self.edges.by_role[role].path
        assert path is not None
        client = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        self.clients.append(client)
        if raw:
            settings = termios.tcgetattr(client)
            settings[0] = settings[1] = settings[3] = 0
            settings[4] = settings[5] = termios.B115200
            termios.tcsetattr(client, termios.TCSANOW, settings)
        self.driver.settle()
        return client

    def close(self, client: int) -> None:
        self.clients.remove(client)
        os.close(client)
        self.driver.settle()

    def say(self, client: int, data: bytes) -> None:
        os.write(client, data)
        self.driver.settle()

    def hear(self, client: int) -> bytes:
        heard = b""
        while select.select([client], [], [], 0)[0]:
            chunk = os.read(client, 65536)
            if not chunk:
                break
            heard += chunk
            self.driver.settle()
        return heard

    def wait(self, seconds: float) -> None:
        self.driver.wait(self.model.timeline.now_ns + ns(seconds))

    def finish(self) -> None:
        for client in list(self.clients):
            self.close(client)
        self.edges.close()


@pytest.fixture
def ports(describe: Callable[..., object]) -> Iterator[Ports]:
    """`tarn-l4` ready."""
    found = Ports(Model(describe(start={"module": "ready"}).settings))  # type: ignore[attr-defined] # the fixture of conftest
    yield found
    found.finish()


def whats(ports: Ports, lane: str = "port/at") -> list[str]:
    return [event.what for event in ports.model.recorder.take() if event.lane == lane]


def test_a_fresh_port_has_echo_and_lines_on_at_9600_baud(ports: Ports) -> None:
    client = ports.open(raw=False)
    settings = termios.tcgetattr(client)

    assert settings[3] & termios.ECHO
    assert settings[3] & termios.ICANON
    assert settings[4] == settings[5] == termios.B9600


def test_a_dialogue_through_the_pty(ports: Ports) -> None:
    client = ports.open()
    ports.say(client, b"ATE0\r")
    first = ports.hear(client)
    ports.say(client, b"AT+CGMR\r")

    assert first == b"ATE0\r\r\nOK\r\n"
    assert ports.hear(client) == b"\r\nTL4-1.4.2\r\n\r\nOK\r\n"


def test_openings_settings_and_closings_are_seen_in_order(ports: Ports) -> None:
    ports.model.recorder.take()
    client = ports.open()
    ports.say(client, b"AT\r")
    ports.close(client)

    assert whats(ports) == ["open", "settings", "to_module", "from_module", "close"]


def test_bytes_that_were_written_just_before_a_close_still_arrive(ports: Ports) -> None:
    client = ports.open()
    ports.model.recorder.take()
    os.write(client, b"AT*FIX=1\r")
    ports.close(client)

    assert ports.model.module.position_on
    assert whats(ports) == ["settings", "to_module", "from_module", "close"]


def test_settings_outlive_their_client_and_unread_bytes_do_not(ports: Ports) -> None:
    first = ports.open()
    ports.say(first, b"AT\r")
    ports.close(first)
    second = ports.open(raw=False)

    assert termios.tcgetattr(second)[4] == termios.B115200
    assert ports.hear(second) == b""


def test_a_program_that_does_not_set_raw_mode_meets_the_echo(ports: Ports) -> None:
    client = ports.open(raw=False)
    ports.model.module.ports["at"].send(b"hello\r\n")
    ports.driver.settle()
    select.select([client], [], [], 0)  # makes the kernel take the bytes in
    ports.driver.settle()

    # The line discipline turns CR into LF on the way in and sends it all back, LF as CR LF on the way out;
    # the module echoes that in turn, and so on for as long as anybody looks.
    back = [str(event.more["text"]) for event in ports.model.recorder.take() if event.what == "to_module"]
    assert "".join(back).startswith("hello\r\n\r\n")


def test_a_port_that_vanishes_hangs_up_on_its_client(ports: Ports) -> None:
    client = ports.open()
    path = ports.edges.by_role["at"].path or ""
    ports.model.module.power.restart("test")
    poll = select.poll()
    poll.register(client, select.POLLIN)
    events = poll.poll(0)[0][1]

    assert events & select.POLLHUP
    assert os.read(client, 10) == b""
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        os.write(client, b"AT\r")
    assert caught.value.errno == errno.EIO
    assert not Path(path).exists()


def test_a_dead_handle_keeps_its_number_and_shifts_the_ports_that_come_back(ports: Ports) -> None:
    client = ports.open("nmea")
    ports.model.module.power.restart("test")
    ports.driver.wait(ns(20))
    shifted = {role: port.node for role, port in ports.model.module.ports.items() if role != "uart"}
    ports.close(client)
    ports.model.module.power.restart("test")
    ports.driver.wait(ns(40))
    back = {role: port.node for role, port in ports.model.module.ports.items() if role != "uart"}

    assert shifted == {"nmea": "ttyUSB1", "data": "ttyUSB2", "diag": "ttyUSB3", "at": "ttyUSB4"}
    assert back == {"nmea": "ttyUSB0", "data": "ttyUSB1", "diag": "ttyUSB2", "at": "ttyUSB3"}


def test_a_client_that_never_reads_blocks_nothing_and_costs_bounded_memory(ports: Ports) -> None:
    client = ports.open()
    ports.model.recorder.take()
    at = ports.model.module.ports["at"]
    for _ in range(300):
        at.send(b"x" * 1024)
    lost = sum(len(str(e.more["text"])) for e in ports.model.recorder.take() if e.what == "lost")
    heard = ports.hear(client)

    assert len(heard) + lost == 300 * 1024
    assert OUTPUT_LIMIT <= len(heard) <= OUTPUT_LIMIT + 65536
    assert lost > 0


def test_a_flood_that_is_read_arrives_whole(ports: Ports) -> None:
    client = ports.open()
    at = ports.model.module.ports["at"]
    data = bytes(range(256)) * 256
    at.send(data)

    assert ports.hear(client) == data


def test_a_megabyte_of_noise_does_no_harm(ports: Ports) -> None:
    client = ports.open()
    noise = bytes(number * 193 % 251 for number in range(2048)).replace(b"\r", b"x")
    for _ in range(512):
        ports.say(client, noise)
        ports.hear(client)
        ports.wait(0.001)  # the bus takes 13 packets in a microframe
    ports.say(client, b"\r")
    ports.hear(client)
    ports.say(client, b"ATE0\r")

    assert ports.hear(client).endswith(b"\r\nOK\r\n")


def test_a_hundred_lives_leave_nothing_open(ports: Ports) -> None:
    before = len(list(Path("/proc/self/fd").iterdir()))
    for number in range(100):
        client = ports.open()
        ports.model.module.power.restart("test")
        ports.close(client)
        ports.driver.wait(ns(20 * (number + 1)))

    assert len(list(Path("/proc/self/fd").iterdir())) == before
