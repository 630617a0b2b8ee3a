"""Boot and stop as seen at the ports."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.module.power import Power

Build = Callable[..., Model]


def present(model: Model) -> list[str]:
    return [role for role, port in model.module.ports.items() if port.is_present]


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("name", ["gauge-station", "upper-station"])
def test_a_boot_keeps_every_delay_of_the_profile(build: Build, name: str, seed: int) -> None:
    model = build(name, bench={"seed": seed})
    model.module.power.start("test")
    model.timeline.run_until(ns(30))
    events = model.recorder.take()
    delays = model.module.profile.delays
    ready = next(event.t_ns for event in events if event.more.get("to") == "ready") / 1e9
    appear = {event.lane: event.t_ns / 1e9 for event in events if event.what == "appear"}
    answers = next(event.t_ns for event in events if event.lane == "port/at" and event.what == "lost") / 1e9

    assert delays.uart_answers_s.min <= ready <= delays.uart_answers_s.max
    assert delays.usb_appears_s.min <= appear["port/at"] <= delays.usb_appears_s.max
    assert answers - appear["port/at"] == pytest.approx(delays.usb_answers_after_s.typ)


def test_ports_appear_in_the_order_of_the_composition_under_the_host_s_names(build: Build) -> None:
    model = build()
    model.module.power.start("test")
    model.timeline.run_until(ns(12))
    appeared = [(event.lane, event.more["node"]) for event in model.recorder.take() if event.what == "appear"]

    assert appeared == [
        ("port/uart", "ttyS1"),
        ("port/nmea", "ttyUSB0"),
        ("port/data", "ttyUSB1"),
        ("port/diag", "ttyUSB2"),
        ("port/at", "ttyUSB3"),
    ]


def test_a_restart_takes_the_ports_away_at_once_and_gives_the_same_names_again(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.module.power.restart("test")
    gone = present(model)
    model.timeline.run_until(ns(20))

    assert gone == ["uart"]
    assert model.module.ports["at"].node == "ttyUSB3"


def test_a_stop_during_boot_leaves_nothing_to_appear_later(build: Build) -> None:
    model = build(start={"module": "booting"})
    model.module.power.stop("test")
    model.timeline.run_until(ns(60))

    assert model.module.power.state is Power.OFF
    assert present(model) == ["uart"]


def test_without_a_uart_on_the_host_the_module_is_ready_when_usb_answers(
    describe: Callable[..., object],
) -> None:
    settings = describe().settings  # type: ignore[attr-defined] # the fixture of conftest
    host = settings.host.model_copy(update={"uart": None})
    model = Model(settings.model_copy(update={"host": host}))
    model.start()
    model.module.power.start("test")
    model.timeline.run_until(ns(30))
    events = model.recorder.take()
    ready_ns = next(event.t_ns for event in events if event.more.get("to") == "ready")

    assert ready_ns >= ns(model.module.profile.delays.usb_appears_s.min)


def test_the_status_output_tells_from_boot_to_off(build: Build) -> None:
    model = build("upper-station")
    told = [model.board.level_at("22")]
    model.module.power.start("test")
    told.append(model.board.level_at("22"))
    model.timeline.run_until(ns(20))
    model.module.power.stop("test")
    told.append(model.board.level_at("22"))
    model.timeline.run_until(ns(40))
    told.append(model.board.level_at("22"))

    assert told == [False, True, True, False]
