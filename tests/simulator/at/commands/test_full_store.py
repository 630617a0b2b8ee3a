"""A store of 255 messages of full length is listed whole, on every kind of port."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.codec.addresses import Address
from simulator.codec.user_data import UserData


@pytest.mark.parametrize("role", ["at", "uart"])
def test_a_full_store_is_listed_whole(converse: Callable[..., Any], role: str) -> None:
    client = converse(role, card={"pin": None, "messages": 255})
    client.later(60)
    text = "Gauge 7 of the Ashbeck reports 4.2 m. " * 4
    for _ in range(255):
        client.model.service_centre.forward(UserData.of(text), sender=Address.of("+447700900123"))
    client.later(300)
    client("AT+CMGF=1")
    client.port.receive(b'AT+CMGL="ALL"\r')
    lines = client.later(30)

    assert lines[-1] == "OK"
    assert [line.split(",")[0] for line in lines[0:-1:2]] == [f"+CMGL: {index}" for index in range(1, 256)]
    assert set(lines[1:-1:2]) == {text}
    assert client("AT") == ["OK"]
