"""What becomes of `AT` and CR, or of what the module says, where a line is asleep or nobody listens.

Each row was worked by hand; the last column is what is left of the bytes at the other end.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

import pytest

from simulator.edges.memory import MemoryEdge
from simulator.kernel.timeline import ns
from simulator.module.framing import LineSettings

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model
    from simulator.module.port import Port

    Build = Callable[..., Model]


def unit(**sections: Any) -> dict[str, Any]:  # noqa: ANN401 # sections of a profile
    return {"module": {"unit": sections}}


def sleepy_bus(model: Model) -> None:
    model.module.usb_power.set_control("auto")


def resting(model: Model) -> None:
    model.module.set_rest(1)


def as_it_is(model: Model) -> None:
    del model


INWARD = [
    # Nothing sleeps: all of it arrives.
    ("at", as_it_is, {}, b"AT\r", b"AT\r"),
    ("uart", as_it_is, {}, b"AT\r", b"AT\r"),
    # The first character wakes the interface, which takes no time: A is gone.
    ("uart", resting, unit(uart={"wake_s": 0}), b"AT\r", b"T\r"),
    # It takes 0.2 ms from the end of A on.  A character takes 87 us: those that begin within 0.2 ms are the
    # second (at 0), the third (at 87 us) and the fourth (at 174 us).
    ("uart", resting, unit(uart={"wake_s": 0.0002}), b"ATI0\r", b"\r"),
    # The bus takes 80 ms to resume; the module takes nothing until then, so the host keeps it all.
    ("at", sleepy_bus, unit(usb={"resume_s": 0.08}), b"AT\r", b"AT\r"),
    # The module takes it from 30 ms on, when the host's part is over, and drops it until it is ready at 80.
    ("at", sleepy_bus, unit(usb={"resume_s": 0.08, "loses_first_bytes": True}), b"AT\r", b""),
    # Ready at 25 ms, before the host's part is over: nothing is dropped.
    ("at", sleepy_bus, unit(usb={"resume_s": 0.025, "loses_first_bytes": True}), b"AT\r", b"AT\r"),
    # The bus cannot be resumed: the host resets the device, and what waited is gone with the port.
    ("at", sleepy_bus, unit(usb={"resume_fails": 1.0}), b"AT\r", b""),
]


def held(model: Model, role: str) -> Port:
    port = model.module.ports[role]
    port.edge = MemoryEdge()
    port.client_opened()
    port.settings(LineSettings(115200))
    return port


@pytest.mark.parametrize("row", INWARD)
def test_what_the_host_sends(
    build: Build, row: tuple[str, Callable[[Model], None], dict[str, Any], bytes, bytes]
) -> None:
    role, prepare, bench, sent, left = row
    model = build(start={"module": "ready"}, **bench)
    port = held(model, role)
    prepare(model)
    model.timeline.run_until(ns(5))
    arrived = bytearray()
    port.on_receive = arrived.extend
    port.receive(sent)
    model.timeline.run_until(ns(6))

    assert bytes(arrived) == left


OUTWARD: list[tuple[str, bool, Literal["before", "after"], bytes]] = [
    # Said while nobody holds the port: gone, or kept where the profile keeps it.
    ("at", False, "before", b""),
    ("at", True, "before", b"\r\nRING\r\n"),
    # A serial line keeps nothing, whatever the profile says: the host's receiver was off.
    ("uart", True, "before", b""),
    ("at", False, "after", b"\r\nRING\r\n"),
    ("uart", False, "after", b"\r\nRING\r\n"),
]


@pytest.mark.parametrize(("role", "keeps", "said", "left"), OUTWARD)
def test_what_the_module_says(
    build: Build, role: str, keeps: bool, said: Literal["before", "after"], left: bytes
) -> None:
    model = build(start={"module": "ready"}, **unit(at={"keep_before_open": keeps}))
    port = model.module.ports[role]
    if said == "before":
        port.send(b"\r\nRING\r\n")
        model.timeline.run_until(ns(1))
    edge = MemoryEdge()
    port.edge = edge
    port.client_opened()
    port.settings(LineSettings(115200))
    if said == "after":
        port.send(b"\r\nRING\r\n")
    model.timeline.run_until(ns(2))

    # What was kept begins with the boot line, which nobody had read either.
    assert edge.take(1000).removeprefix(b"\r\nTARN READY\r\n") == left
