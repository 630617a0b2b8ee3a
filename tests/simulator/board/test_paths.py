"""Paths from header to module over both carriers."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.board.paths import PathFinder, PinPath


def paths(describe: Callable[..., Any], name: str = "gauge-station", **changes: Any) -> list[PinPath]:  # noqa: ANN401 # any table
    settings = describe(name, **changes).settings
    return PathFinder(settings.wiring, settings.positions).paths()


@pytest.mark.parametrize(
    ("name", "lines"),
    [
        (
            "gauge-station",
            [
                "pin 1 -> CABLE (cable) -> REGULATOR (regulator) -> SUPPLY",
                "pin 3 -> CABLE (cable) -> REGULATOR (regulator) -> SUPPLY",
                "pin 16 -> KEY_SOURCE (jumper, header) -> KEY_STAGE (npn-stage, inverts) -> POWER_KEY",
                "pin 18 -> RADIO_STAGE (npn-stage, inverts) -> RADIO_DISABLE",
                "pin 23 -> UART_TX (slide-switch, closed) -> SHIFT_TX (level-shifter) -> UART_RX",
                "UART_TX -> SHIFT_RX (level-shifter) -> UART_RX (slide-switch, closed) -> pin 25",
            ],
        ),
        (
            "upper-station",
            [
                "pin 1 -> CABLE (cable) -> REGULATOR (regulator) -> SUPPLY",
                "pin 3 -> CABLE (cable) -> REGULATOR (regulator) -> SUPPLY",
                "pin 11 -> SHIFT_RTS (level-shifter) -> UART_RTS",
                "pin 16 -> KEY_SOURCE (jumper, header) -> KEY_RESISTOR (resistor) -> POWER_KEY",
                "pin 18 -> RADIO_RESISTOR (resistor) -> RADIO_DISABLE",
                "STATUS -> STATUS_SHIFT (level-shifter) -> pin 22",
                "pin 23 -> UART_TX (slide-switch, closed) -> SHIFT_TX (level-shifter) -> UART_RX",
                "UART_TX -> SHIFT_RX (level-shifter) -> UART_RX (slide-switch, closed) -> pin 25",
                "UART_CTS -> SHIFT_CTS (level-shifter) -> pin 36",
            ],
        ),
    ],
)
def test_the_demo_carriers_are_traced(describe: Callable[..., Any], name: str, lines: list[str]) -> None:
    assert list(map(str, paths(describe, name))) == lines


def test_a_jumper_on_the_rail_leads_from_the_supply_and_leaves_the_header_pin_open(
    describe: Callable[..., Any],
) -> None:
    key = [path for path in paths(describe, "key-on-rail") if path.module_pin == "POWER_KEY"]

    assert [(path.pin, path.open_at) for path in key] == [("1", ()), ("3", ()), ("16", ("KEY_SOURCE",))]
    assert all(path.inverts for path in key)


def test_an_open_switch_is_named_where_there_is_no_other_way(describe: Callable[..., Any]) -> None:
    [path] = [path for path in paths(describe, board={"switches": {"UART_TX": "open"}}) if path.pin == "23"]

    assert path.open_at == ("UART_TX",)
    assert "UART_TX (slide-switch, open: OPEN)" in str(path)


def test_no_path_goes_over_one_part_twice(describe: Callable[..., Any]) -> None:
    for name in ("gauge-station", "upper-station", "key-on-rail"):
        for path in paths(describe, name):
            parts = [hop.part for hop in path.hops]
            assert len(parts) == len(set(parts)), str(path)
