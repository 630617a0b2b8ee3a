"""The steady supply: regulator, drop-out, and the limits of the module."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.model import Model
from simulator.module.power import Power

Build = Callable[..., Model]


@pytest.mark.parametrize(
    ("source_v", "rail_v"),
    # Output 3.9 V, drop-out 0.25 V, lock-out below 2.7 V: worked by hand.
    [(5.0, 3.9), (4.15, 3.9), (4.0, 3.75), (2.7, 2.45), (2.69, 0.0), (0.0, 0.0)],
)
def test_the_rail_follows_the_regulator(build: Build, source_v: float, rail_v: float) -> None:
    model = build()
    model.supply.set_volts(source_v)

    assert model.supply.rail_v == pytest.approx(rail_v)


def test_a_rail_below_lock_out_stops_the_module_and_one_between_keeps_it(build: Build) -> None:
    model = build(start={"module": "ready"})
    model.supply.set_volts(3.5)  # 3.25 V at the module: above lock-out 3.1 V, below restart 3.5 V
    between = model.module.power.state
    model.supply.set_volts(3.3)  # 3.05 V
    stopped = model.module.power.state
    model.supply.set_volts(3.5)

    assert (between, stopped) == (Power.READY, Power.NO_SUPPLY)
    assert model.module.power.state is Power.NO_SUPPLY


def test_voltages_outside_the_range_of_a_source_are_refused(build: Build) -> None:
    with pytest.raises(ValueError, match="0 to 60 V, not 61"):
        build().supply.set_volts(61)
