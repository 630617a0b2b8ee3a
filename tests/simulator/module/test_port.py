"""A port's life: bytes are lost, kept or delivered by whether a client holds it."""

from __future__ import annotations

from simulator.edges.memory import MemoryEdge
from simulator.kernel.recorder import Recorder
from simulator.kernel.timeline import Timeline
from simulator.module.port import Port


def build(*, keeps: bool = False) -> tuple[Port, MemoryEdge, Recorder]:
    recorder = Recorder(Timeline())
    port = Port("at", recorder=recorder, keeps_before_open=keeps)
    edge = MemoryEdge()
    port.edge = edge
    port.appear("ttyUSB3")
    return port, edge, recorder


def test_nothing_is_written_while_no_client_holds_the_port() -> None:
    port, edge, recorder = build()
    port.send(b"boot line")
    port.client_opened()

    assert edge.take(100) == b""
    assert [event.what for event in recorder.take()] == ["appear", "lost", "open"]


def test_bytes_before_opening_are_kept_where_the_profile_says_so() -> None:
    port, edge, _ = build(keeps=True)
    port.send(b"boot line")
    port.client_opened()

    assert edge.take(100) == b"boot line"


def test_what_is_kept_is_bounded_and_the_oldest_goes_first() -> None:
    port, edge, _ = build(keeps=True)
    for _ in range(100):
        port.send(b"x" * 100)
    port.send(b"last")
    port.client_opened()
    kept = edge.take(100_000)

    assert len(kept) == 4096
    assert kept.endswith(b"last")


def test_vanishing_twice_is_harmless_and_ends_every_opening() -> None:
    port, _, recorder = build()
    port.client_opened()
    port.vanish()
    port.vanish()

    assert not port.is_open
    assert [event.what for event in recorder.take()] == ["appear", "open", "vanish"]
