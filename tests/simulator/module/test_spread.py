"""Spreads: limits kept, deviations derived, draws pinned by seed."""

from __future__ import annotations

import statistics

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from simulator.kernel.randomness import Randomness
from simulator.module.spread import Draws, Spread

START = Spread(guaranteed=0.7, typ=0.58, unit_sd=0.02, run_sd=0.005, min=0.52, max=0.64)


def test_deviations_are_derived_from_the_range_where_none_are_given() -> None:
    spread = Spread(typ=6.5, min=5.0, max=9.0)

    assert spread.unit_deviation == pytest.approx(4.0 / 6)
    assert spread.run_deviation == pytest.approx(4.0 / 24)


def test_what_is_relied_on_is_the_guarantee_or_else_the_largest() -> None:
    assert START.relied_on == 0.7
    assert Spread(typ=1, min=0.5, max=2).relied_on == 2


def test_typ_outside_its_limits_is_refused() -> None:
    with pytest.raises(ValidationError, match="need min <= typ <= max, found 1, 0.5, 2"):
        Spread(typ=0.5, min=1, max=2)


@given(st.integers(0, 10_000))
def test_every_draw_of_every_unit_is_inside_the_limits(seed: int) -> None:
    draws = Draws(Randomness(seed))

    assert all(0.52 <= draws.draw("start", START) <= 0.64 for _ in range(5))


def test_units_differ_more_than_the_runs_of_one_unit() -> None:
    units = [Draws(Randomness(seed)) for seed in range(300)]
    runs = [[unit.draw("start", START) for _ in range(20)] for unit in units]
    within = statistics.mean(statistics.stdev(run) for run in runs)
    between = statistics.stdev(statistics.mean(run) for run in runs)

    assert within == pytest.approx(0.005, rel=0.15)
    assert between == pytest.approx(0.02, rel=0.15)


def test_a_plain_number_never_varies() -> None:
    spread = Spread(typ=1.5, min=1.5, max=1.5)

    assert {Draws(Randomness(seed)).draw("x", spread) for seed in range(5)} == {1.5}


def test_a_range_far_in_the_tail_ends_at_its_edge() -> None:
    spread = Spread(typ=1.0, min=1.0, max=1.001, unit_sd=1e-9, run_sd=1e-12)

    assert 1.0 <= Draws(Randomness(1)).draw("x", spread) <= 1.001
