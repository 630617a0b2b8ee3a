"""Device numbers: the lowest that is free, and taken while a dead handle is held."""

from __future__ import annotations

from simulator.module.nodes import NodeTable


def test_numbers_are_given_lowest_first() -> None:
    table = NodeTable(["ttyUSB0", "ttyUSB1"])

    assert [table.take(), table.take(), table.take()] == ["ttyUSB0", "ttyUSB1", "ttyUSB2"]


def test_numbers_below_the_bench_s_own_belong_to_other_devices() -> None:
    table = NodeTable(["ttyUSB2", "ttyUSB4"])

    assert [table.take(), table.take(), table.take()] == ["ttyUSB2", "ttyUSB4", "ttyUSB5"]


def test_a_number_that_is_still_held_shifts_the_others() -> None:
    table = NodeTable(["ttyUSB0", "ttyUSB1"])
    first, second = table.take(), table.take()
    table.release(second)

    assert first == "ttyUSB0"
    assert [table.take(), table.take()] == ["ttyUSB1", "ttyUSB2"]
