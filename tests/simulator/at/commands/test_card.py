"""+CPIN and +CPINR (3GPP TS 27.007 8.3, 8.65; codes of 9.2)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.module.spread import Spread

Build = Callable[..., Model]


class Client:
    """The AT port, without echo and with +CMEE=1."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.edges = MemoryEdges(model)
        model.module.ports["at"].client_opened()
        self("ATE0+CMEE=1")

    def __call__(self, line: str) -> list[str]:
        self.model.module.ports["at"].receive(line.encode() + b"\r")
        return [part for part in self.edges.by_role["at"].take(10_000).decode().split("\r\n") if part]

    def later(self, seconds: float) -> None:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))


@pytest.fixture
def client(build: Build) -> Client:
    """A module whose card waits for its PIN."""
    return Client(build(start={"module": "ready"}))


def test_a_card_with_a_pin_from_entry_to_ready(client: Client) -> None:
    assert client("AT+CPIN?") == ["+CPIN: SIM PIN", "OK"]
    assert client("AT+CPINR") == ["+CPINR: SIM PIN,3,3", "+CPINR: SIM PUK,10,10", "OK"]
    assert client('AT+CPINR="SIM PIN"') == ["+CPINR: SIM PIN,3,3", "OK"]
    assert client("AT+CPIN=1234") == ["OK"]
    assert client("AT+CPIN?") == ["+CME ERROR: 14"]
    client.later(5)
    assert client("AT+CPIN?") == ["+CPIN: READY", "OK"]
    assert client("AT+CPIN=1234") == ["+CME ERROR: 3"]


def test_wrong_pins_until_the_puk_is_asked_for_and_given(client: Client) -> None:
    assert client("AT+CPIN=0000") == ["+CME ERROR: 16"]
    assert client("AT+CPIN=0000") == ["+CME ERROR: 16"]
    assert client("AT+CPIN=0000") == ["+CME ERROR: 12"]
    assert client("AT+CPIN?") == ["+CPIN: SIM PUK", "OK"]
    assert client("AT+CPIN=1234") == ["+CME ERROR: 12"]
    assert client('AT+CPIN="00000000","4321"') == ["+CME ERROR: 16"]
    assert client("AT+CPINR") == ["+CPINR: SIM PIN,0,3", "+CPINR: SIM PUK,9,10", "OK"]
    assert client('AT+CPIN="12345678","4321"') == ["OK"]
    client.later(5)
    assert client("AT+CPIN?") == ["+CPIN: READY", "OK"]


@pytest.mark.parametrize("entered", ["123", '"12x4"', '""', '"12 4"'])
def test_what_is_no_pin_never_reaches_the_card(client: Client, entered: str) -> None:
    assert client(f"AT+CPIN={entered}")[-1] in ("+CME ERROR: 16", "ERROR")
    assert client.model.card.pin_tries == 3


def test_a_pin_of_nine_digits_is_no_value_of_the_command(client: Client) -> None:
    assert client("AT+CPIN=123456789") == ["ERROR"]
    assert client.model.card.pin_tries == 3


def test_a_card_that_is_still_starting_is_busy(describe: Callable[..., Any]) -> None:
    settings = describe().settings
    slow = settings.profile.delays.model_copy(update={"card_ready_s": Spread(typ=30, min=30, max=30)})
    profile = settings.profile.model_copy(update={"delays": slow})
    model = Model(settings.model_copy(update={"profile": profile}))
    model.start()
    model.module.power.start("test")
    model.timeline.run_until(ns(20))

    assert Client(model)("AT+CPIN?") == ["+CME ERROR: 14"]


def test_no_card_and_a_blocked_card(describe: Callable[..., Any], build: Build) -> None:
    settings = describe(start={"module": "ready"}).settings
    empty = Model(settings.model_copy(update={"card": None}))
    empty.start()
    blocked = build(start={"module": "ready"}, card={"pin_tries": 0, "puk_tries": 0})

    assert Client(empty)("AT+CPIN?") == ["+CME ERROR: 10"]
    client = Client(blocked)
    assert client("AT+CPIN?") == ["+CME ERROR: 13"]
    assert client("AT+CPINR")[:2] == ["+CPINR: SIM PIN,0,3", "+CPINR: SIM PUK,0,10"]
