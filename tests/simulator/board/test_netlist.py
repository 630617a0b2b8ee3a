"""What each part is electrically: levels that arrive, nets that float, supplies that are fed back."""

from __future__ import annotations

from typing import Any

import pytest

from simulator.board.circuit import Drive
from simulator.board.netlist import ModulePinModel, Netlist, Power, Solution
from simulator.board.wiring import Wiring

RAILS = {
    "HOST": {"volts": 3.3, "powered_by": "host"},
    "IO": {"volts": 1.8, "powered_by": "module"},
    "IN": {"volts": 5.0, "powered_by": "supply"},
}
PINS = {"POWER_KEY": ModulePinModel(io_v=1.8, low_below_v=0.5, high_above_v=1.17)}
SHIFTER = {
    "kind": "level-shifter",
    "input": "A",
    "output": "B",
    "input_supply": "IO",
    "output_supply": "HOST",
}


def carrier(parts: dict[str, dict[str, Any]], **more: Any) -> Wiring:  # noqa: ANN401 # any table
    header = {"1": "A", "2": "B", "3": "C"}
    data = {"header": header, "module": {"POWER_KEY": "C"}, "rails": RAILS, "parts": parts, **more}
    return Wiring.model_validate({"name": "test", **data})


def solve(wiring: Wiring, *drives: Drive, off: tuple[str, ...] = (), **positions: str) -> Solution:
    rails = tuple((name, None if name in off else rail.volts) for name, rail in wiring.rails.items())
    netlist = Netlist(wiring, positions, PINS)
    return netlist.solve(Power(rails=rails, module="IO" not in off), drives)


def pull(net: str, to: str, ohm: float = 10e3) -> dict[str, Any]:
    return {"kind": "pull", "net": net, "to": to, "ohm": ohm}


@pytest.mark.parametrize(("level_v", "arrives_v"), [(0.0, 0.0), (1.8, 3.3)])
def test_a_fixed_shifter_puts_out_its_own_supply_s_levels(level_v: float, arrives_v: float) -> None:
    solution = solve(carrier({"S": SHIFTER, "P": pull("B", "GND", 1e6)}), Drive("A", level_v, 50))

    assert solution.volts("B") == pytest.approx(arrives_v, abs=0.01)


@pytest.mark.parametrize("off", ["IO", "HOST"])
def test_a_fixed_shifter_without_one_supply_lets_go(off: str) -> None:
    solution = solve(carrier({"S": SHIFTER}), Drive("A", 1.8, 50), off=(off,))

    assert solution.floats("B")


@pytest.mark.parametrize(("driven", "other"), [("A", "B"), ("B", "A")])
def test_a_pass_shifter_carries_a_low_level_both_ways_and_a_high_one_by_its_pulls(
    driven: str, other: str
) -> None:
    wiring = carrier({"S": {**SHIFTER, "direction": "pass"}})
    low = solve(wiring, Drive(driven, 0.0, 50)).volts(other)
    rest = solve(wiring)

    assert low < 0.1
    assert rest.volts("A") == pytest.approx(1.8, abs=0.05)
    assert rest.volts("B") == pytest.approx(3.3, abs=0.05)


def test_a_pass_shifter_feeds_a_module_without_power() -> None:
    # Pulled up to 3.3 V on the far side, the low side is fed through the body of the transistor's pulls.
    wiring = carrier({"S": {**SHIFTER, "direction": "pass"}, "R": pull("A", "HOST")})

    assert solve(wiring, off=("IO", "IN")).volts("IO") > 0.3


@pytest.mark.parametrize(("ohm", "level_v"), [(100e3, 3.3), (1e3, 0.7)])
def test_an_automatic_shifter_holds_against_a_weak_pull_and_loses_against_a_strong_one(
    ohm: float, level_v: float
) -> None:
    parts = {"S": {**SHIFTER, "direction": "automatic"}, "P": pull("B", "GND", ohm)}
    solution = solve(carrier(parts), Drive("A", 1.8, 50))

    assert solution.volts("B") == pytest.approx(level_v, abs=0.2)


def test_a_field_effect_stage_inverts() -> None:
    stage = {"kind": "nmos-stage", "input": "A", "output": "B", "gate_ohm": 100, "gate_source_ohm": 100e3}
    wiring = carrier({"S": stage, "P": pull("B", "IO")})

    assert solve(wiring, Drive("A", 3.3, 50)).volts("B") < 0.01
    assert solve(wiring, Drive("A", 0.0, 50)).volts("B") == pytest.approx(1.8, abs=1e-3)


def test_a_diode_carries_one_way_only() -> None:
    wiring = carrier({"D": {"kind": "diode", "anode": "A", "cathode": "B"}, "P": pull("B", "GND")})

    assert solve(wiring, Drive("A", 1.8, 50)).volts("B") == pytest.approx(1.3, abs=0.1)
    assert solve(wiring, Drive("A", -1.0, 50)).volts("B") == pytest.approx(0.0, abs=0.01)


def test_a_regulator_follows_its_input_down_and_switches_off_below_its_lock_out() -> None:
    regulator = {
        "kind": "regulator",
        "input": "IN",
        "output": "B",
        "volts": 3.9,
        "limit_a": 2.5,
        "ohm": 0.03,
        "dropout_v": 0.25,
        "lockout_v": 2.7,
    }
    for source_v, output_v in ((5.0, 3.9), (4.0, 3.75), (2.6, 0.0)):
        rails = {**RAILS, "IN": {"volts": source_v, "powered_by": "supply"}, "IO": {"volts": 4.2}}
        wiring = carrier(
            {"R": regulator, "L": pull("B", "GND", 1e3)}, rails=rails, header={"2": "B", "3": "C"}
        )
        assert solve(wiring).volts("B") == pytest.approx(output_v, abs=0.01)


def test_a_net_that_only_an_open_switch_touches_floats() -> None:
    switch = {"kind": "slide-switch", "between": ["A", "B"], "default": "closed"}
    wiring = carrier({"S": switch, "P": pull("A", "GND")})

    assert solve(wiring, S="open").floats("B")
    assert not solve(wiring, S="closed").floats("B")


def test_two_rails_joined_by_a_jumper_are_refused_with_the_place() -> None:
    jumper = {"kind": "jumper", "common": "HOST", "positions": {"a": "A", "b": "IN"}, "default": "a"}
    wiring = carrier({"J": jumper, "P": pull("B", "GND")})

    with pytest.raises(
        ValueError, match="parts.J: 'b' joins the rails 'HOST' and 'IN': two sources on one net"
    ):
        wiring.joined({"J": "b"})


def test_two_outputs_that_fight_are_solved_and_not_refused() -> None:
    solution = solve(
        carrier({"P": pull("A", "GND"), "Q": pull("B", "GND")}), Drive("A", 3.3, 50), Drive("A", 0.0, 50)
    )

    assert solution.volts("A") == pytest.approx(1.65, abs=0.01)
