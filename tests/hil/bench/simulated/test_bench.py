"""What a simulated bench leaves behind when it is closed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from hil.bench.simulated.bench import SimulatedBench


def test_every_run_ends_with_its_charge(describe: Callable[..., Any]) -> None:
    bench = SimulatedBench(describe(start={"module": "ready"}), ports="memory")
    bench.clock.wait(3600)
    bench.close()
    bench.close()
    charges = bench.recording.on("supply/rail", "charge")

    assert len(charges) == 1
    assert charges[0].more["idle with USB"] == pytest.approx(45.0)  # 45 mA for an hour
