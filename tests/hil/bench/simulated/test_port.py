"""Our port object keeps one contract, on ptys and in memory, at virtual and at real pace."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any

import pytest

from hil.bench.simulated.bench import SimulatedBench
from hil.bench.simulated.port import PtyPort
from hil.errors import PartMissingError, PortGoneError, PortMissingError


@pytest.fixture(params=[("pty", None), ("memory", None), ("pty", 1.0), ("memory", 1.0)], ids=str)
def bench(request: pytest.FixtureRequest, describe: Callable[..., Any]) -> Iterator[SimulatedBench]:
    """A ready module."""
    ports, factor = request.param
    found = SimulatedBench(describe(start={"module": "ready"}), ports=ports, factor=factor)
    yield found
    found.close()


def test_a_read_returns_as_soon_as_there_is_something(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    port.write(b"ATE0\r")
    began_s = bench.clock.now_s()

    assert port.read(timeout_s=5) == b"ATE0\r\r\nOK\r\n"
    assert bench.clock.now_s() - began_s < 1


def test_a_read_takes_no_more_than_was_asked_for(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    port.write(b"ATE0\r")

    assert port.read(3) == b"ATE"
    assert port.read(100) == b"0\r\r\nOK\r\n"


def test_a_read_of_nothing_ends_at_its_time(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    began_s = bench.clock.now_s()

    assert port.read(timeout_s=0.05) == b""
    assert 0.05 <= bench.clock.now_s() - began_s < 0.5


def test_discarded_input_is_gone_and_the_count_is_settled(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    port.write(b"ATE0\r")
    port.discard_input()
    port.write(b"AT\r")

    assert port.read(timeout_s=1) == b"\r\nOK\r\n"


def test_what_a_client_left_unread_is_not_there_for_the_next(bench: SimulatedBench) -> None:
    first = bench.ports.open("at")
    first.write(b"ATE0\r")
    first.close()
    second = bench.ports.open("at")

    assert second.read(timeout_s=0.01) == b""
    second.write(b"AT\r")
    assert second.read(timeout_s=1) == b"\r\nOK\r\n"


def test_closing_twice_is_harmless_and_using_a_closed_port_is_refused(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    port.close()
    port.close()

    assert not port.is_open
    with pytest.raises(ValueError, match="is closed"):
        port.write(b"AT\r")


def test_a_port_that_vanishes_says_so_and_can_be_closed(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    bench.supply.off()
    bench.ports.wait_gone("at", timeout_s=1)  # the rail's capacitor carries the module for a moment

    assert not port.is_open
    with pytest.raises(PortGoneError, match="port at \\(ttyUSB3\\) vanished"):
        port.read(timeout_s=1)
    port.close()


def test_a_port_that_vanishes_ends_a_read_that_waits(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    bench.model.timeline.call_in(50_000_000, lambda: bench.model.supply.turn(on=False))

    with pytest.raises(PortGoneError):
        port.read(timeout_s=5)
    port.close()


def test_long_writes_and_long_replies_pass_whole(bench: SimulatedBench) -> None:
    port = bench.ports.open("at")
    port.write(b"ATE0\r")
    port.discard_input()
    port.write(b"AT+CGMR\r" * 1000)
    heard = b""
    while chunk := port.read(timeout_s=0.05):
        heard += chunk

    assert heard == b"\r\nTL4-1.4.2\r\n\r\nOK\r\n" * 1000


def test_a_rate_can_be_set(bench: SimulatedBench) -> None:
    port = bench.ports.open("uart")
    port.set_line(baud=9600)
    port.write(b"AT\r")
    port.close()

    rates = [event.more["baud"] for event in bench.recording.on("port/uart", "settings")]
    assert rates[-1] == 9600


def test_ports_that_are_not_there_or_not_known_are_told(bench: SimulatedBench) -> None:
    bench.supply.off()
    bench.ports.wait_gone("at", timeout_s=1)  # the rail's capacitor carries the module for a moment

    with pytest.raises(PortMissingError, match="check key and supply first"):
        bench.ports.open("at")
    with pytest.raises(PartMissingError, match="the module has nmea, data, diag, at, uart"):
        bench.ports.open("modem")
    with pytest.raises(PartMissingError, match="present are uart"):
        bench.ports.node("at")


def test_the_raw_port_is_handed_out_at_real_pace_only(describe: Callable[..., Any]) -> None:
    for factor in (None, 1.0):
        bench = SimulatedBench(describe(start={"module": "ready"}), factor=factor)
        port = bench.ports.open("at")
        assert isinstance(port, PtyPort)
        if factor is None:
            with pytest.raises(ValueError, match="at real pace only"):
                _ = port.raw
        else:
            assert port.raw.is_open
        port.close()
        bench.close()
