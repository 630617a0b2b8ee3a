"""The rail in closed form against a numerical solution of the same differential equation."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray
from scipy.integrate import solve_ivp

from simulator.board.course import Course, Demand
from simulator.board.rail import Feed, Rail

REGULATED = Feed(volts=5.0, ohm=0.1, limit_a=2.5, regulated_v=3.9, dropout_v=0.25, output_ohm=0.03)
WEAK = Feed(volts=4.2, ohm=0.8, limit_a=2.5, regulated_v=3.9, dropout_v=0.25, output_ohm=0.03)
BARE = Feed(volts=3.9, ohm=0.3, limit_a=3.0)
OFF = Feed(volts=5.0, ohm=0.1, limit_a=2.5, regulated_v=3.9, dropout_v=0.25, on=False, bleed_ohm=100.0)
SOUND, AGED = Rail(farad=2200e-6, esr_ohm=0.05), Rail(farad=2200e-6, esr_ohm=1.0)


def given_a(feed: Feed, volts: float) -> float:
    """What the feed gives, written down once more by itself."""
    if not feed.on:
        return -volts / feed.bleed_ohm if feed.bleed_ohm else 0.0
    amps = min(feed.limit_a, (feed.volts - feed.dropout_v - volts) / (feed.ohm + feed.output_ohm))
    if feed.regulated_v < float("inf"):
        amps = min(amps, (feed.regulated_v - volts) / feed.output_ohm)
    return max(amps, 0.0)


def rail_v(rail: Rail, feed: Feed, load_a: float, capacitor_v: float) -> float:
    """The net's voltage with that inside the capacitor, found by bisection of Kirchhoff's current law."""
    low_v, high_v = -10.0, 20.0
    for _ in range(80):
        middle_v = (low_v + high_v) / 2
        drawn_a = load_a * min(max(middle_v, 0.0) / 0.5, 1.0)
        rest_a = given_a(feed, middle_v) - drawn_a + (capacitor_v - middle_v) / rail.esr_ohm
        low_v, high_v = (middle_v, high_v) if rest_a > 0 else (low_v, middle_v)
    return (low_v + high_v) / 2


@pytest.mark.parametrize(
    ("rail", "feed", "load_a", "start_v", "end_s"),
    [
        (SOUND, REGULATED, 0.045, 0.0, 0.02),
        (SOUND, REGULATED, 2.045, 3.9, 0.002),
        (SOUND, WEAK, 2.045, 3.9, 0.01),
        (AGED, WEAK, 2.045, 3.75, 0.01),
        (SOUND, BARE, 0.5, 3.0, 0.01),
        (SOUND, REGULATED, 3.5, 3.9, 0.005),  # beyond the limit: the capacitor gives the rest
        (SOUND, OFF, 0.045, 3.9, 0.3),
        (SOUND, OFF, 25e-6, 3.9, 1.0),
    ],
)
def test_the_rail_is_that_of_a_numerical_solution(  # parameters of pytest
    rail: Rail, feed: Feed, load_a: float, start_v: float, end_s: float
) -> None:
    def slope(_: float, inside: NDArray[np.float64]) -> list[float]:
        volts = rail_v(rail, feed, load_a, float(inside[0]))
        return [(volts - float(inside[0])) / (rail.esr_ohm * rail.farad)]

    at_s = np.linspace(0.0, end_s, 40)
    theirs = solve_ivp(
        slope, (0.0, end_s), [start_v], t_eval=at_s, rtol=1e-8, atol=1e-9, max_step=end_s / 200
    )
    ours = Course(rail, feed, Demand(label="test", amps=load_a), start_v)

    for instant, inside_v in zip(at_s, theirs.y[0], strict=True):
        assert ours.capacitor(float(instant)) == pytest.approx(float(inside_v), abs=2e-4)
        expected_v = rail_v(rail, feed, load_a, float(inside_v))
        assert ours.volts(float(instant)) == pytest.approx(expected_v, abs=1e-3)


def test_the_mean_is_the_integral_over_the_time() -> None:
    course = Course(
        SOUND, WEAK, Demand(label="2g", amps=0.045, burst_a=2.0, on_s=577e-6, every_s=4.615e-3), 3.9
    )
    at_s = np.linspace(0.0, 0.1, 200_001)
    numerical = float(np.trapezoid([course.volts(float(instant)) for instant in at_s], at_s))

    assert course.integral(0.1) == pytest.approx(numerical, rel=1e-5)


@pytest.mark.parametrize("level", [3.8, 3.5, 3.2])
def test_a_crossing_is_where_the_rail_is_at_the_level(level: float) -> None:
    course = Course(SOUND, OFF, Demand(label="idle", amps=0.045), 3.9)
    crossing = course.first_crossing(after_s=0.0, falling=[level])

    assert crossing is not None
    assert course.volts(crossing.at_s) == pytest.approx(level, abs=1e-9)


def test_a_step_over_the_series_resistance_crosses_at_once() -> None:
    course = Course(AGED, WEAK, Demand(label="burst", amps=2.0), 3.9)
    crossing = course.first_crossing(after_s=0.0, falling=[3.1])

    assert crossing is not None
    assert crossing.at_s == 0.0


def test_a_level_that_is_never_reached_has_no_crossing() -> None:
    course = Course(SOUND, REGULATED, Demand(label="idle", amps=0.045), 3.9)

    assert course.first_crossing(after_s=0.0, falling=[3.1], rising=[3.95]) is None


def test_bursts_that_repeat_are_the_same_in_every_later_cycle() -> None:
    demand = Demand(label="lte", amps=0.045, burst_a=0.9, on_s=1e-3, every_s=2.8e-3)
    course = Course(SOUND, WEAK, demand, 3.9)
    cycles = [course.volts(k * demand.every_s + demand.on_s - 1e-9) for k in (200, 1000, 100_000)]

    assert max(cycles) - min(cycles) < 1e-6
    assert course.lowest(1.0, 2.0) == pytest.approx(min(cycles), abs=1e-3)
