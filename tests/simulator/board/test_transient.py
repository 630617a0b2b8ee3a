"""Capacitors on signal nets: edges come late, as the exponential says, and pulses get shorter."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from simulator.kernel.timeline import ns
from simulator.model import Model

Build = Callable[..., Model]

# At the key of `beck-carrier`: 10 kOhm (and the output's 50) against 12 kOhm and the module's own 100 kOhm.
OHM = 1 / (1 / 10_050 + 1 / 12e3 + 1 / 100e3)
HIGH_V = 3.3 * OHM / 10_050
FARAD = 10e-6


def filtered(build: Build, farad: float = FARAD) -> Model:
    part = {"kind": "capacitor", "net": "KEY", "farad": farad, "esr_ohm": 0.0}
    return build("upper-station", board={"rework": {"parts": {"FILTER": part}}})


def key_edges(model: Model) -> list[tuple[int, Any]]:
    return [
        (event.t_ns, event.more["value"])
        for event in model.recorder.take()
        if event.lane == "pin/POWER_KEY" and event.what == "level"
    ]


def test_an_edge_arrives_when_the_exponential_passes_the_threshold(build: Build) -> None:
    model = filtered(build)
    model.timeline.run_until(ns(1))
    model.recorder.take()
    line = model.board.lines.line(84)
    line.drive(True, by="test")
    model.timeline.run_until(ns(2))
    line.drive(False, by="test")
    model.timeline.run_until(ns(3))
    (rise_ns, high), (fall_ns, low) = key_edges(model)
    constant_s = OHM * FARAD

    assert (high, low) == (1, 0)
    assert (rise_ns - ns(1)) / 1e9 == pytest.approx(constant_s * math.log(HIGH_V / (HIGH_V - 1.17)), rel=0.01)
    assert (fall_ns - ns(2)) / 1e9 == pytest.approx(constant_s * math.log(HIGH_V / 0.63), rel=0.01)


def test_a_pulse_much_shorter_than_the_time_constant_does_not_arrive(build: Build) -> None:
    model = filtered(build)
    model.timeline.run_until(ns(1))
    model.recorder.take()
    line = model.board.lines.line(84)
    line.drive(True, by="test")
    model.timeline.run_until(ns(1) + ns(0.2 * OHM * FARAD))
    line.drive(False, by="test")
    model.timeline.run_until(ns(3))

    assert key_edges(model) == []


def test_a_second_pulse_begins_from_what_the_first_has_left(build: Build) -> None:
    model = filtered(build)
    line = model.board.lines.line(84)
    rises = []
    for rest_s in (5.0, 0.06):
        model.timeline.run_until(model.timeline.now_ns + ns(rest_s))
        model.recorder.take()
        began_ns = model.timeline.now_ns
        line.drive(True, by="test")
        model.timeline.run_until(began_ns + ns(1))
        rises.append(key_edges(model)[-1][0] - began_ns)
        line.drive(False, by="test")

    assert 0 < rises[1] < 0.8 * rises[0]


def test_without_capacitors_levels_change_at_once(build: Build) -> None:
    model = build("upper-station")
    model.timeline.run_until(ns(1))
    model.recorder.take()
    model.board.lines.line(84).drive(True, by="test")

    assert key_edges(model) == [(ns(1), 1)]
