"""A client that is not ours, pyserial's `rfc2217://`, works a module over TCP.

Codes: RFC 2217 "Telnet Com Port Control Option", sections 3 and 4 (the COM-PORT-OPTION is 44; the server
answers with the client's code plus 100); Telnet itself: RFC 854.
"""

from __future__ import annotations

import json
import socket
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import serial

TOP = Path(__file__).parents[2]
WAKEBENCH = Path(sys.executable).with_name("wakebench")

IAC, SB, SE, WILL, DO = 255, 250, 240, 251, 253
COM_PORT_OPTION, SET_BAUDRATE, SERVER_SET_BAUDRATE = 44, 1, 101
SET_PARITY, SERVER_SET_PARITY, EVEN = 3, 103, 3


# pyserial 3.5 starts and names its reader the old way.
pytestmark = pytest.mark.filterwarnings("ignore:set(Daemon|Name):DeprecationWarning")


class Served:
    """`wakebench simulate --rfc2217` of a module that is ready."""

    def __init__(self, run: Path) -> None:
        self._run = run
        command = [
            str(WAKEBENCH),
            "simulate",
            "already-on",
            "--rfc2217",
            "0",
            "--run-dir",
            str(run),
            "--for",
            "60",
        ]
        self._process = subprocess.Popen(command, cwd=TOP, stdout=subprocess.PIPE, text=True)
        deadline = time.monotonic() + 20
        while not (run / "ready.json").exists() and time.monotonic() < deadline:
            time.sleep(0.02)
        self.urls: dict[str, str] = json.loads((run / "ready.json").read_text())["ports"]

    def stop(self) -> None:
        self._process.terminate()
        self._process.communicate(timeout=20)

    def events(self, what: str) -> list[dict[str, Any]]:
        """Of the UART, once the server has stopped."""
        lines = (self._run / "recording.jsonl").read_text().splitlines()[1:]
        found = [json.loads(line) for line in lines]
        return [event for event in found if event["lane"] == "port/uart" and event["what"] == what]


@pytest.fixture
def served(tmp_path: Path) -> Iterator[Served]:
    """A module ready, its ports on loopback."""
    found = Served(tmp_path / "run")
    yield found
    found.stop()


@pytest.fixture
def connect(served: Served) -> Iterator[Callable[[str], socket.socket]]:
    """Plain TCP to a port of the module."""
    sockets: list[socket.socket] = []

    def to(role: str) -> socket.socket:
        number = int(served.urls[role].rpartition(":")[2])
        sockets.append(socket.create_connection(("127.0.0.1", number), timeout=5))
        return sockets[-1]

    yield to
    for one in sockets:
        one.close()


def heard(connection: socket.socket, wanted: bytes) -> bytes:
    data = b""
    while wanted not in data:
        chunk = connection.recv(1000)
        if not chunk:
            break
        data += chunk
    return data


def ask(port: serial.Serial, text: bytes = b"AT\r") -> bytes:
    port.reset_input_buffer()
    port.write(text)
    return bytes(port.read_until(b"OK\r\n"))


@pytest.mark.slow
def test_a_client_changes_rate_framing_lines_and_break_and_the_model_follows(served: Served) -> None:
    port = serial.serial_for_url(served.urls["uart"], baudrate=115200, timeout=0.5)
    first = ask(port)
    lines = (port.cts, port.dsr, port.ri, port.cd)
    port.baudrate = 9600
    wrong = ask(port)
    port.baudrate = 115200
    port.write(b"\r")  # ends what the module has made of it
    time.sleep(0.2)
    again = ask(port)
    port.parity = serial.PARITY_EVEN
    port.dtr = False
    port.send_break(0.1)
    port.close()
    served.stop()

    assert (first, again) == (b"AT\r\r\nOK\r\n",) * 2
    assert lines == (True, True, False, False)
    assert b"OK" not in wrong
    told = [(event["baud"], event["framing"]) for event in served.events("settings")]
    assert told == [(9600, "8N1"), (115200, "8N1"), (9600, "8N1"), (115200, "8N1"), (115200, "8E1")]
    assert [event["dtr"] for event in served.events("lines")] == [False]
    assert [event["on"] for event in served.events("break")] == [True, False]


@pytest.mark.slow
def test_the_codes_on_the_wire_are_those_of_the_rfc(connect: Callable[[str], socket.socket]) -> None:
    connection = connect("uart")
    connection.sendall(bytes([IAC, WILL, COM_PORT_OPTION]))
    rate = (57600).to_bytes(4, "big")
    connection.sendall(bytes([IAC, SB, COM_PORT_OPTION, SET_BAUDRATE]) + rate + bytes([IAC, SE]))
    connection.sendall(bytes([IAC, SB, COM_PORT_OPTION, SET_PARITY, EVEN, IAC, SE]))

    answer = bytes([IAC, SB, COM_PORT_OPTION, SERVER_SET_PARITY, EVEN, IAC, SE])
    data = heard(connection, answer)
    assert bytes([IAC, SB, COM_PORT_OPTION, SERVER_SET_BAUDRATE]) + rate + bytes([IAC, SE]) in data
    assert bytes([IAC, DO, COM_PORT_OPTION]) in data


@pytest.mark.slow
def test_a_rate_that_no_line_has_is_answered_with_the_present_one(
    connect: Callable[[str], socket.socket],
) -> None:
    connection = connect("uart")
    connection.sendall(bytes([IAC, SB, COM_PORT_OPTION, SET_BAUDRATE, 127, 0, 0, 0, IAC, SE]))
    present = (9600).to_bytes(4, "big")

    wanted = bytes([IAC, SB, COM_PORT_OPTION, SERVER_SET_BAUDRATE]) + present + bytes([IAC, SE])
    assert wanted in heard(connection, wanted)


@pytest.mark.slow
def test_a_second_client_is_turned_away_and_nonsense_is_hung_up_on(
    served: Served, connect: Callable[[str], socket.socket]
) -> None:
    first, second = connect("at"), connect("at")
    refused = second.recv(100)
    first.sendall(bytes([IAC, SB, COM_PORT_OPTION, SET_PARITY, 99, IAC, SE]))
    while first.recv(1000):
        pass
    time.sleep(0.2)
    third = serial.serial_for_url(served.urls["at"], timeout=1)
    answered = ask(third)
    third.close()

    assert (refused, answered) == (b"", b"AT\r\r\nOK\r\n")


@pytest.mark.slow
def test_a_port_that_vanishes_hangs_up_and_refuses_from_then_on(
    connect: Callable[[str], socket.socket],
) -> None:
    connection = connect("at")
    connection.settimeout(15)  # an orderly stop takes up to 8 s
    connection.sendall(b"AT*STOP\r")
    said = b""
    while data := connection.recv(1000):
        said += data

    assert b"TARN STOPPED" in said
    with pytest.raises(ConnectionRefusedError):
        connect("at")


@pytest.mark.slow
@pytest.mark.parametrize(
    ("given", "told"),
    [
        ("x", "allowed: the number of the first TCP port"),
        ("70000", "allowed: the number of the first TCP port"),
        ("somewhere:1", "allowed: the number of the first TCP port"),
        ("192.0.2.1:0", "cannot be had"),
        ("65534", "cannot be had"),
    ],
)
def test_an_address_that_cannot_be_is_one_line_and_exit_code_2(tmp_path: Path, given: str, told: str) -> None:
    command = [
        str(WAKEBENCH),
        "simulate",
        "already-on",
        "--rfc2217",
        given,
        "--run-dir",
        str(tmp_path / "run"),
    ]
    result = subprocess.run(command, cwd=TOP, check=False, capture_output=True, text=True, timeout=30)

    assert result.returncode == 2
    assert told in result.stderr
    assert "Traceback" not in result.stderr


@pytest.mark.slow
def test_listening_beyond_loopback_says_that_others_can_reach_it(tmp_path: Path) -> None:
    options = ["--rfc2217", "0.0.0.0:0", "--run-dir", str(tmp_path / "run"), "--for", "0.1"]  # the point
    command = [str(WAKEBENCH), "simulate", "already-on", *options]
    result = subprocess.run(command, cwd=TOP, check=False, capture_output=True, text=True, timeout=30)

    assert result.returncode == 0
    assert "caution: 0.0.0.0 can be reached from other machines" in result.stdout
