"""Waits that end: what is left is nothing, or something that the clock can wait."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from hil.bench.simulated.bench import SimulatedBench
from hil.deadline import Deadline


def test_waiting_for_what_is_left_in_odd_steps_ends_exactly(describe: Callable[..., Any]) -> None:
    bench = SimulatedBench(describe(), ports="memory")
    bench.clock.wait(1 / 3)
    deadline = Deadline(bench.clock, 8.5)
    steps = 0
    while not deadline.has_passed and steps < 1000:
        assert deadline.left_s >= 1e-9
        bench.clock.wait(min(0.1 + 1e-10, deadline.left_s))
        steps += 1
    now_ns = bench.clock.now_ns()
    bench.close()

    assert deadline.left_s == 0
    assert now_ns == 333_333_333 + 8_500_000_000
    assert steps < 100
