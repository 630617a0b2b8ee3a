"""Logic levels: strong beats resistive beats pulled, stages invert, what nothing drives floats."""

from __future__ import annotations

from typing import Any

from simulator.board.levels import PULLED, LevelSolver, Source
from simulator.board.wiring import Wiring


def wiring(**parts: dict[str, Any]) -> Wiring:
    return Wiring.model_validate(
        {
            "name": "test",
            "header": {"1": "A", "2": "B"},
            "module": {"POWER_KEY": "B"},
            "rails": {
                "HIGH": {"volts": 3.3},
                "LOW": {"volts": 0.0},
                "IO": {"volts": 1.8, "powered_by": "module"},
            },
            "parts": parts,
        }
    )


def solve(
    board: Wiring, *sources: Source, powered: tuple[str, ...] = (), **positions: str
) -> dict[str, bool]:
    return LevelSolver(board, positions).solve(sources, powered=powered)


RESISTOR = {"kind": "resistor", "between": ["A", "B"], "ohm": 1000}
STAGE = {"kind": "npn-stage", "input": "A", "output": "B", "base_ohm": 4700, "base_emitter_ohm": 47000}


def pull(to: str) -> dict[str, Any]:
    return {"kind": "pull", "net": "B", "to": to, "ohm": 47000}


def test_what_nothing_drives_floats() -> None:
    assert "B" not in solve(wiring(R=RESISTOR))


def test_a_level_passes_a_resistor_and_beats_a_pull_behind_it() -> None:
    levels = solve(wiring(R=RESISTOR, P=pull("LOW")), Source(net="A", level=True))

    assert levels["B"] is True


def test_a_strong_level_beats_one_behind_a_resistor() -> None:
    levels = solve(wiring(R=RESISTOR), Source(net="A", level=True), Source(net="B", level=False))

    assert levels["B"] is False


def test_of_two_equal_sources_the_low_one_wins() -> None:
    levels = solve(wiring(R=RESISTOR), Source(net="A", level=True), Source(net="A", level=False))

    assert levels["A"] is False


def test_an_inverting_stage_pulls_low_and_lets_go() -> None:
    board = wiring(S=STAGE, P=pull("HIGH"))

    assert solve(board, Source(net="A", level=True))["B"] is False
    assert solve(board, Source(net="A", level=False))["B"] is True
    assert solve(board)["B"] is True


def test_a_pull_alone_turns_a_stage_on() -> None:
    board = wiring(S=STAGE, P=pull("HIGH"))

    assert solve(board, Source(net="A", level=True, strength=PULLED))["B"] is False


def test_a_pull_to_a_rail_without_power_does_nothing() -> None:
    board = wiring(S=STAGE, P=pull("IO"))

    assert "B" not in solve(board, Source(net="A", level=False))
    assert solve(board, Source(net="A", level=False), powered=("module",))["B"] is True


def test_a_jumper_joins_what_its_position_says() -> None:
    jumper = {"kind": "jumper", "common": "B", "positions": {"pin": "A", "rail": "HIGH"}, "default": "pin"}
    board = wiring(J=jumper)

    assert solve(board, Source(net="A", level=False))["B"] is False
    assert solve(board, Source(net="A", level=False), J="rail")["B"] is True


def test_an_open_switch_lets_nothing_through() -> None:
    board = wiring(W={"kind": "slide-switch", "between": ["A", "B"], "default": "closed"})

    assert solve(board, Source(net="A", level=True))["B"] is True
    assert "B" not in solve(board, Source(net="A", level=True), W="open")


def test_a_shifter_passes_levels_one_way_and_only_with_both_supplies() -> None:
    shifter = {
        "kind": "level-shifter",
        "input": "A",
        "output": "B",
        "input_supply": "HIGH",
        "output_supply": "IO",
    }
    board = wiring(X=shifter)

    assert solve(board, Source(net="A", level=True), powered=("module",))["B"] is True
    assert "B" not in solve(board, Source(net="A", level=True))
    assert "A" not in solve(board, Source(net="B", level=True), powered=("module",))


def test_a_level_that_was_let_go_does_not_hold_itself() -> None:
    ring = wiring(R=RESISTOR, Q={"kind": "resistor", "between": ["B", "A"], "ohm": 1000})

    assert "A" not in solve(ring)
