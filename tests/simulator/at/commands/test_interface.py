"""+IPR, +ICF and +IFC on the UART (ITU-T V.250 6.2.10 to 6.2.12)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.module.framing import LineSettings

Converse = Callable[..., Any]


def test_the_rate_changes_after_the_result_of_the_line(converse: Converse) -> None:
    client = converse("uart")

    assert client("AT+IPR=9600") == ["OK"]  # heard at the old rate
    assert client("AT") != ["OK"]
    client.port.settings(LineSettings(9600))
    client("")
    assert client("AT+IPR?") == ["+IPR: 9600", "OK"]


def test_a_rate_that_there_is_not_is_refused(converse: Converse) -> None:
    client = converse()

    assert client("AT+IPR=9601;+IPR=0") == ["ERROR"]
    assert client("AT+IPR=0") == ["ERROR"]  # this module cannot find the host's rate
    assert client("AT+IPR?") == ["+IPR: 115200", "OK"]


def test_rate_zero_finds_the_host_s_rate_where_the_module_can(converse: Converse) -> None:
    client = converse("uart", module={"unit": {"uart": {"autobaud": True}}})
    client("AT")
    client("ATE0")
    before = client("AT+IPR?;+IPR=?")
    client("AT+IPR=19200")
    client.port.settings(LineSettings(19200))
    fixed = client("AT+IPR?")
    client("AT+IPR=0")
    client.port.settings(LineSettings(57600))

    assert before[0] == "+IPR: 0"
    assert before[1].startswith("+IPR: (0,300,")
    assert fixed == ["+IPR: 19200", "OK"]
    assert client("AT") == ["OK"]
    assert client("AT+IPR?") == ["+IPR: 0", "OK"]


@pytest.mark.parametrize(
    ("written", "framing", "read"),
    # 6.2.11: 1 8N2, 2 8P1, 3 8N1, 4 7N2, 5 7P1, 6 7N1; parity 0 odd, 1 even, 2 mark, 3 space.
    [
        ("1", "8N2", "1,3"),
        ("2,0", "8O1", "2,0"),
        ("2,1", "8E1", "2,1"),
        ("2,2", "8M1", "2,2"),
        ("2,3", "8S1", "2,3"),
        ("3", "8N1", "3,3"),
        ("4", "7N2", "4,3"),
        ("5,1", "7E1", "5,1"),
        ("6", "7N1", "6,3"),
    ],
)
def test_the_framing_changes_after_the_result_of_the_line(
    converse: Converse, written: str, framing: str, read: str
) -> None:
    client = converse("uart")

    assert client(f"AT+ICF={written}") == ["OK"]
    client.port.settings(LineSettings.of(115200, framing))
    client("")
    assert client("AT+ICF?") == [f"+ICF: {read}", "OK"]


def test_flow_control_by_line_stops_the_module_while_rts_is_off(converse: Converse) -> None:
    # upper-station's carrier brings RTS and CTS to the host.
    client = converse("uart", "upper-station", module={"unit": {"uart": {"autobaud": False}}})
    client("AT+IFC=0,0")
    client.port.set_lines(rts=False)
    unheeded = client("AT")
    client("AT+IFC=2,2")
    stopped = client("AT")
    client.port.set_lines(rts=True)

    assert unheeded == ["OK"]
    assert stopped == []
    assert client.later(0.1) == ["OK"]
    assert client("AT+IFC?;+IFC=0,0;+IFC?") == ["+IFC: 2,2", "+IFC: 2,2", "OK"]


@pytest.mark.parametrize(("keeps", "after"), [(False, "115200"), (True, "9600")])
def test_a_restart_brings_the_profile_s_rate_back_unless_the_module_keeps_it(
    converse: Converse, keeps: bool, after: str
) -> None:
    client = converse(module={"unit": {"uart": {"keeps_settings": keeps}}})
    client("AT+IPR=9600")
    client.later(0.1)
    client.model.module.power.restart("test")
    client.later(30)
    client.port.client_opened()
    client("ATE0")

    assert client("AT+IPR?") == [f"+IPR: {after}", "OK"]


def test_they_concern_the_uart_on_whatever_port_they_are_given(converse: Converse) -> None:
    client = converse("at")
    client("AT+IPR=9600;+ICF=5,1")
    client.later(0.1)

    assert client.model.module.serial.module == LineSettings.of(9600, "7E1")


def test_a_bench_whose_host_has_no_serial_port_has_nothing_to_set(converse: Converse) -> None:
    client = converse()
    client.model.module.serial = None

    assert client("AT+CMEE=1;+IPR?") == ["+CME ERROR: 4"]
