"""Another device on the host's bus."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest
from pydantic import ValidationError

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model

    Build = Callable[..., Model]


def nodes(model: Model) -> dict[str, str]:
    return {role: port.node for role, port in model.ports.items() if port.is_present and role != "uart"}


def test_an_adaptor_found_first_takes_the_lower_number(build: Build) -> None:
    model = build("upper-station", start={"module": "ready"}, adaptor={"ports": 1})

    assert nodes(model) == {"at": "ttyUSB1", "data": "ttyUSB2", "nmea": "ttyUSB3", "adaptor0": "ttyUSB0"}


def test_one_that_is_plugged_in_later_takes_what_is_free_and_gives_it_back(build: Build) -> None:
    model = build("upper-station", start={"module": "ready"})
    model.adaptor.move(ports=2)
    later = nodes(model)
    model.adaptor.move(ports=0)
    model.adaptor.move(ports=1)

    assert (later["adaptor0"], later["adaptor1"]) == ("ttyUSB3", "ttyUSB4")
    assert nodes(model)["adaptor0"] == "ttyUSB3"


def test_it_answers_nothing(build: Build) -> None:
    model = build(adaptor={"ports": 1})
    port = model.ports["adaptor0"]
    port.client_opened()
    port.receive(b"AT\r")
    model.timeline.run_until(10**9)

    assert [event.what for event in model.recorder.take() if event.lane == "port/adaptor0"] == [
        "appear",
        "open",
        "to_module",
    ]


def test_more_than_four_ports_are_refused(build: Build) -> None:
    with pytest.raises(ValidationError, match="less than or equal to 4"):
        build().adaptor.move(ports=5)
