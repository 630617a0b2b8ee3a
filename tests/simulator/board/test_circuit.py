"""Operating points against laws that can be worked by hand."""

from __future__ import annotations

import math

import pytest

from simulator.board.circuit import (
    GROUND,
    THERMAL_V,
    Circuit,
    Diode,
    Drive,
    Load,
    NmosTransistor,
    NpnTransistor,
    Resistor,
)


def test_a_divider_divides_and_shows_its_parallel_resistance() -> None:
    point = Circuit([Resistor("top", "middle", 10e3), Resistor("middle", GROUND, 20e3)], {"top": 3.0}).solve()

    assert point.volts["middle"] == pytest.approx(2.0)
    assert point.ohms["middle"] == pytest.approx(20e3 / 3)


def test_two_drives_that_fight_meet_at_their_mean_by_conductance() -> None:
    point = Circuit([Drive("net", 3.3, 50), Drive("net", 0.0, 150)]).solve()

    assert point.volts["net"] == pytest.approx(3.3 * 0.75)


def test_a_load_drops_its_volts_over_the_resistance_before_it() -> None:
    point = Circuit([Resistor("source", "net", 2.0), Load("net", 0.5)], {"source": 5.0}).solve()

    assert point.volts["net"] == pytest.approx(4.0)


def test_a_net_that_nothing_holds_shows_a_resistance_beyond_all_parts() -> None:
    point = Circuit([Resistor("one", "other", 1e3)]).solve()

    assert point.ohms["one"] > 1e9


def test_a_diode_conducts_what_the_exponential_says_and_blocks_the_other_way() -> None:
    forward = Circuit([Resistor("source", "anode", 1e3), Diode("anode", GROUND)], {"source": 5.0}).solve()
    volts = forward.volts["anode"]
    reverse = Circuit([Resistor("source", "net", 1e3), Diode(GROUND, "net")], {"source": 5.0}).solve()

    assert (5.0 - volts) / 1e3 == pytest.approx(1e-14 * math.expm1(volts / THERMAL_V), rel=1e-6)
    assert reverse.volts["net"] == pytest.approx(5.0, abs=1e-6)


def test_a_transistor_in_its_active_region_multiplies_its_base_current() -> None:
    point = Circuit(
        [
            Resistor("drive", "base", 1e6),
            NpnTransistor("collector", "base", GROUND, forward_gain=200),
            Resistor("supply", "collector", 1e3),
        ],
        {"drive": 5.0, "supply": 5.0},
    ).solve()
    base_a = (5.0 - point.volts["base"]) / 1e6
    collector_a = (5.0 - point.volts["collector"]) / 1e3

    assert collector_a / base_a == pytest.approx(200, rel=1e-6)


def test_a_saturated_transistor_has_the_saturation_voltage_of_ebers_and_moll() -> None:
    # V_CE(sat) = V_T ln[(1/a_R + b/b_R) / (1 - b/b_F)] with b = I_C/I_B and a_R = b_R/(1 + b_R): the
    # textbook form, e.g. Sedra and Smith, Microelectronic Circuits, section on Ebers-Moll (from memory).
    point = Circuit(
        [
            Resistor("drive", "base", 10e3),
            NpnTransistor("collector", "base", GROUND, forward_gain=200, reverse_gain=2),
            Resistor("supply", "collector", 1e3),
        ],
        {"drive": 5.0, "supply": 5.0},
    ).solve()
    base_a = (5.0 - point.volts["base"]) / 10e3
    collector_a = (5.0 - point.volts["collector"]) / 1e3
    forced = collector_a / base_a
    expected_v = THERMAL_V * math.log((1.5 + forced / 2) / (1 - forced / 200))

    assert point.volts["collector"] == pytest.approx(expected_v, rel=1e-3)


@pytest.mark.parametrize(("gate_v", "region"), [(2.0, "saturation"), (5.0, "triode"), (0.5, "off")])
def test_a_field_effect_transistor_follows_the_square_law(gate_v: float, region: str) -> None:
    point = Circuit(
        [
            NmosTransistor("drain", "gate", GROUND, threshold_v=1.0, transconductance=2e-3),
            Resistor("supply", "drain", 1e3),
        ],
        {"gate": gate_v, "supply": 5.0},
    ).solve()
    drain_v = point.volts["drain"]
    amps = (5.0 - drain_v) / 1e3
    above_v = gate_v - 1.0
    expected_a = {
        "saturation": 2e-3 / 2 * above_v**2,
        "triode": 2e-3 * (above_v - drain_v / 2) * drain_v,
        "off": 0.0,
    }[region]

    assert amps == pytest.approx(expected_a, rel=1e-6, abs=1e-9)


def test_the_body_diode_conducts_where_the_drain_is_pulled_below_the_source() -> None:
    point = Circuit(
        [NmosTransistor("drain", "gate", GROUND), Resistor("minus", "drain", 1e3)],
        {"gate": 0.0, "minus": -5.0},
    ).solve()

    assert -0.8 < point.volts["drain"] < -0.6


def test_a_channel_carries_current_both_ways() -> None:
    point = Circuit(
        [
            NmosTransistor("one", "gate", "other", threshold_v=0.9),
            Resistor("high", "other", 10e3),
            Drive("one", 0.0, 50),
        ],
        {"gate": 1.8, "high": 1.8},
    ).solve()

    assert point.volts["other"] < 0.1
