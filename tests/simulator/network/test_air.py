"""Levels at the module and at the cell (3GPP TS 36.214, 36.133), and what a move may say."""

from __future__ import annotations

from collections.abc import Callable

import pytest
from pydantic import ValidationError

from simulator.model import Model
from simulator.network.air import UnknownCellError

Build = Callable[..., Model]


def test_the_level_over_the_carrier_follows_from_reference_power_and_quality(build: Build) -> None:
    # 3GPP TS 36.214 5.1.3: RSRQ = N x RSRP / RSSI; N = 50, RSRP -95 dBm, RSRQ -10 dB, worked by hand:
    # -95 + 16.99 + 10 = -68.01 dBm.
    air = build().air

    assert air.rssi_dbm(air.first) == pytest.approx(-68.01, abs=0.005)


@pytest.mark.parametrize(("technology", "weakest"), [("lte", -140.0), ("2g", -110.0)])
def test_a_cell_below_the_reporting_range_is_not_found(build: Build, technology: str, weakest: float) -> None:
    # RSRP is reported from -140 dBm (3GPP TS 36.133 9.1.4), RXLEV from -110 dBm (TS 45.008 8.1.4).
    air = build(network={"technology": technology}).air
    air.move(rsrp_dbm=weakest)
    found = air.is_heard(air.first)
    air.move(rsrp_dbm=weakest - 0.5)

    assert found
    assert not air.is_heard(air.first)


def test_distance_makes_the_level(build: Build) -> None:
    # 3GPP TR 36.942 4.5.2 (from memory): 128.1 + 37.6 log10(2) = 139.42 dB; 15 - 139.42 = -124.42 dBm.
    air = build(network={"distance_km": 2.0}).air

    assert air.level_dbm(air.first) == pytest.approx(-124.42, abs=0.005)


def test_the_better_branch_is_heard_and_only_the_main_one_transmits(build: Build) -> None:
    found = {}
    for main in (True, False):
        for diversity in (True, False):
            air = build(antennas={"main": main, "diversity": diversity}).air
            found[main, diversity] = (round(air.level_dbm(air.first)), air.is_reached(air.first))

    assert found == {
        (True, True): (-95, True),
        (True, False): (-95, True),
        (False, True): (-95, False),
        (False, False): (-145, False),
    }


def test_attenuation_lies_in_both_directions(build: Build) -> None:
    # 23 dBm less 110 dB of path less 32 dB is -119 dBm, 1 dB above what the cell still hears.
    air = build().air
    air.move_antennas(attenuation_db=32.0)
    heard, reached = air.level_dbm(air.first), air.is_reached(air.first)
    air.move_antennas(attenuation_db=34.0)

    assert heard == -127
    assert reached
    assert not air.is_reached(air.first)
    assert air.is_heard(air.first)


def test_the_strongest_cell_comes_first(build: Build) -> None:
    air = build(network={"neighbours": {"near": {"rsrp_dbm": -70.0}, "gone": {"present": False}}}).air

    assert [cell.name for cell in air.heard] == ["near", "first"]


def test_settings_that_cannot_be_are_refused_and_change_nothing(build: Build) -> None:
    air = build().air
    for moved in ({"rsrp_dbm": "strong"}, {"technology": "5g"}, {"registers": "circuit"}, {"nobody": 1}):
        with pytest.raises(ValidationError):
            air.move(**moved)
    with pytest.raises(UnknownCellError, match="cells are first"):
        air.move(cell="north", rsrp_dbm=-90)
    with pytest.raises(ValidationError):
        air.move_antennas(attenuation_db=-1.0)

    assert air.level_dbm(air.first) == -95
