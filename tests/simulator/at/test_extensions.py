"""The maker's own commands, described in a profile."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

import simulator
from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.module.extension_schema import ExtensionCommand, ExtensionSet
from simulator.module.power import Power

README = Path(simulator.__file__).parent / "profiles" / "README.md"


def ten_commands() -> dict[str, Any]:
    """The worked example of the folder's README."""
    blocks = re.findall(r"^```toml\n(.*?)^```", README.read_text(encoding="utf-8"), re.MULTILINE | re.DOTALL)
    example: dict[str, Any] = tomllib.loads(blocks[-1])["extensions"]
    return example


class Client:
    """The AT port of a ready module whose profile has *commands* as its own."""

    def __init__(
        self, describe: Callable[..., Any], commands: dict[str, Any] | None = None, prefix: str = "%"
    ) -> None:
        source = describe(start={"module": "ready"}).settings
        if commands is not None:
            extensions = ExtensionSet.model_validate({"prefix": prefix, "commands": commands})
            source = source.model_copy(
                update={"profile": source.profile.model_copy(update={"extensions": extensions})}
            )
        self.model = Model(source)
        self.model.start()
        self.edges = MemoryEdges(self.model)
        self.model.module.ports["at"].client_opened()
        self("ATE0")

    def __call__(self, line: str) -> str:
        self.model.module.ports["at"].receive(line.encode() + b"\r")
        return self.heard()

    def heard(self) -> str:
        return self.edges.by_role["at"].take(10_000).decode()

    def later(self, seconds: float) -> str:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        return self.heard()


def test_the_shipped_commands_of_tarn_l4(describe: Callable[..., Any]) -> None:
    client = Client(describe)

    assert client("AT*HEAT?") == "\r\n*HEAT: 25\r\n\r\nOK\r\n"
    assert client("AT*CARD?") == "\r\n*CARD: 8999900000000000121\r\n\r\nOK\r\n"
    assert client("AT*REST?") == "\r\n*REST: 0\r\n\r\nOK\r\n"
    assert client("AT*REST=30;*REST?") == "\r\n*REST: 30\r\n\r\nOK\r\n"
    assert client("AT*REST=3601") == "\r\nERROR\r\n"
    assert client("AT*FIX=1") == "\r\nOK\r\n"
    assert client.model.module.position_on
    assert client("AT*STOP") == "\r\nOK\r\n"
    assert client.model.module.power.state is Power.STOPPING


def test_a_stored_value_is_forgotten_at_the_next_boot(describe: Callable[..., Any]) -> None:
    client = Client(describe)
    client("AT*REST=30")
    client("AT+CFUN=1,1")
    client.later(20)
    client.model.module.ports["at"].client_opened()
    client("ATE0")

    assert client("AT*REST?") == "\r\n*REST: 0\r\n\r\nOK\r\n"


def test_delay_and_lines_that_follow(describe: Callable[..., Any]) -> None:
    client = Client(
        describe,
        {
            "SCAN": {
                "forms": ["action"],
                "reply": "{imei}",
                "delay_s": 0.5,
                "later": [{"after_s": 2.0, "line": "%SCAN: done at {temperature_c}"}],
            }
        },
    )

    assert client("AT%SCAN") == ""
    assert client.later(0.5) == "\r\n%SCAN: 001000000000017\r\n\r\nOK\r\n"
    assert client.later(1.9) == ""
    assert client.later(0.1) == "\r\n%SCAN: done at 25\r\n"


@pytest.mark.parametrize(
    ("command", "line", "functionality"),
    [
        ({"forms": ["set"], "parameters": [{"name": "fun", "high": 4}], "effect": "radio"}, "AT%X=4", 4),
        ({"forms": ["set"], "parameters": [{"name": "fun", "high": 4}], "effect": "radio"}, "AT%X=1", 1),
    ],
)
def test_the_radio_effect_asks_for_a_functionality(
    describe: Callable[..., Any], command: dict[str, Any], line: str, functionality: int
) -> None:
    client = Client(describe, {"X": command})
    client(line)

    assert client.model.module.radio.functionality == functionality


def test_restart_and_rate_act_after_the_result(describe: Callable[..., Any]) -> None:
    client = Client(
        describe,
        {
            "BAUD": {
                "forms": ["set"],
                "parameters": [{"name": "baud", "high": 921600}],
                "effect": "rate",
            },
            "AGAIN": {"forms": ["action"], "effect": "restart"},
        },
    )

    assert client("AT%BAUD=9600") == "\r\nOK\r\n"
    client.later(0.1)  # what the UART has to say is through
    serial = client.model.module.serial
    assert serial is not None
    assert serial.module.baud == 9600
    client("AT%AGAIN")
    assert client.model.module.power.state is Power.BOOTING


@pytest.mark.parametrize(
    ("described", "message"),
    [
        ({"forms": []}, "forms needs at least one"),
        ({"forms": ["read"]}, "reply is needed"),
        ({"forms": ["read"], "reply": "{nosuch}"}, "nosuch"),
        ({"forms": ["set"], "effect": "rest"}, "needs a first parameter"),
        ({"forms": ["action"], "effect": "explode"}, "Input should be"),
    ],
)
def test_descriptions_that_cannot_be_are_refused(described: dict[str, Any], message: str) -> None:
    with pytest.raises(ValidationError, match=message):
        ExtensionCommand.model_validate(described)


def test_the_readme_s_ten_commands_work_as_it_says(describe: Callable[..., Any]) -> None:
    example = ten_commands()
    client = Client(describe, example["commands"], example["prefix"])

    assert len(example["commands"]) == 10
    assert client("AT$TEMP?") == "\r\n$TEMP: 25 C\r\n\r\nOK\r\n"
    assert client("AT$ICC?") == '\r\n$ICC: "8999900000000000121"\r\n\r\nOK\r\n'
    assert client("AT$NAME?") == '\r\n$NAME: "none"\r\n\r\nOK\r\n'
    assert client('AT$NAME="weir 3"') == "\r\nOK\r\n"
    assert client("AT$NAME?") == '\r\n$NAME: "weir 3"\r\n\r\nOK\r\n'
    assert client("AT$IDLE=601") == "\r\nERROR\r\n"
    assert client("AT$IDLE=?") == "\r\n$IDLE: (0-600)\r\n\r\nOK\r\n"
    assert client("AT$IDLE=600;$IDLE?") == "\r\n$IDLE: 600\r\n\r\nOK\r\n"
    assert client("AT$GPS=1;$GPS?") == "\r\n$GPS: 1\r\n\r\nOK\r\n"
    assert client("AT$RATE=9600") == "\r\nOK\r\n"
    assert client("AT$SCAN") == ""
    assert client.later(0.3) == "\r\nOK\r\n"
    assert client.later(4) == "\r\n$SCAN: -68 dBm\r\n"
    assert client("AT$RF=4") == "\r\nOK\r\n"
    assert client.model.module.radio.functionality == 4
    assert client("AT$OFF") == "\r\nOK\r\n"
    assert client.model.module.power.state is Power.STOPPING


def test_the_readme_s_restart_restarts(describe: Callable[..., Any]) -> None:
    example = ten_commands()
    client = Client(describe, example["commands"], example["prefix"])
    client("AT$REBOOT")

    assert client.model.module.power.state is Power.BOOTING


def test_a_text_without_default_reads_back_empty(describe: Callable[..., Any]) -> None:
    text = {"forms": ["read"], "parameters": [{"name": "t", "kind": "text"}], "reply": "<{t}>"}

    assert Client(describe, {"X": text})("AT%X?") == "\r\n%X: <>\r\n\r\nOK\r\n"
