"""Wirings that cannot be are refused, with the place."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

import simulator
from simulator.board.wiring import Wiring

FOLDER = Path(simulator.__file__).parent / "wirings"


def shipped(name: str) -> dict[str, Any]:
    return tomllib.loads((FOLDER / f"{name}.toml").read_text())


@pytest.mark.parametrize("name", ["weir-carrier", "beck-carrier"])
def test_shipped_wirings_are_sound(name: str) -> None:
    assert Wiring.model_validate(shipped(name)).name == name


def change_header(data: dict[str, Any]) -> None:
    data["header"]["40"] = "NOWHERE"


def change_part_net(data: dict[str, Any]) -> None:
    data["parts"]["KEY_STAGE"]["input"] = "NOWHERE"


def change_pull(data: dict[str, Any]) -> None:
    data["parts"]["RADIO_PULL"]["to"] = "KEY"


def change_default(data: dict[str, Any]) -> None:
    data["parts"]["KEY_SOURCE"]["default"] = "sideways"


def change_kind(data: dict[str, Any]) -> None:
    data["parts"]["KEY_STAGE"]["kind"] = "relay"


@pytest.mark.parametrize(
    ("change", "message"),
    [
        (change_header, "header.40: no part and no rail touches the net 'NOWHERE'"),
        (change_part_net, "parts.KEY_SOURCE: nothing else touches the net 'KEY_STAGE_IN'"),
        (change_pull, "'KEY' is no rail"),
        (change_default, "default 'sideways' is none of the positions"),
        (change_kind, "relay"),
    ],
)
def test_a_wiring_that_cannot_be_is_refused(change: Any, message: str) -> None:  # noqa: ANN401 # a function of dicts
    data = shipped("weir-carrier")
    change(data)

    with pytest.raises(ValidationError, match=message):
        Wiring.model_validate(data)
