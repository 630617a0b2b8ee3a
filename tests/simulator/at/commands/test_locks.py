"""+CLCK and +CPWD: the card's PIN and the module's lock to a network (TS 27.007 7.4, 7.5)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Client = Any  # a conversation
Converse = Callable[..., Client]


@pytest.fixture
def client(converse: Converse) -> Client:
    """The card's PIN is entered; errors are numbers."""
    client = converse()
    client('AT+CMEE=1;+CPIN="1234"')
    client.later(10)
    return client


def test_the_pin_can_be_asked_for_no_longer(client: Client) -> None:
    asked = client('AT+CLCK="SC",2')
    ended = client('AT+CLCK="SC",0,"1234"')
    client.model.module.power.restart("test")
    client.later(60)

    assert (asked, ended) == (["+CLCK: 1", "OK"], ["OK"])
    assert client.model.card.state.value == "ready"


def test_a_wrong_password_costs_a_try_and_the_third_blocks(client: Client) -> None:
    # TS 27.007 9.2: 16 incorrect password, 12 SIM PUK required.
    answers = [client('AT+CLCK="SC",0,"9999"') for _ in range(3)]

    assert answers == [["+CME ERROR: 16"], ["+CME ERROR: 16"], ["+CME ERROR: 12"]]
    assert client("AT+CPIN?") == ["+CPIN: SIM PUK", "OK"]


def test_what_is_no_pin_costs_nothing(client: Client) -> None:
    assert client('AT+CLCK="SC",0,"12"') == ["+CME ERROR: 16"]
    assert client("AT+CPINR")[0] == "+CPINR: SIM PIN,3,3"


def test_the_pin_is_changed_with_the_old_one(client: Client) -> None:
    wrong = client('AT+CPWD="SC","9999","4321"')
    right = client('AT+CPWD="SC","1234","4321"')
    client.model.module.power.restart("test")
    client.later(60)

    assert (wrong, right) == (["+CME ERROR: 16"], ["OK"])
    assert client.model.card.enter_pin("4321")


def test_a_pin_that_is_not_asked_for_cannot_be_changed(client: Client) -> None:
    client('AT+CLCK="SC",0,"1234"')

    assert client('AT+CPWD="SC","1234","4321"') == ["+CME ERROR: 3"]


def test_a_module_that_is_locked_says_so_and_takes_its_code(converse: Converse) -> None:
    client = converse(
        card={"pin_enabled": False}, module={"unit": {"locked_to": ["00102"], "unlock_code": "98765432"}}
    )
    client("AT+CMEE=1")
    locked = client('AT+CPIN?;+CLCK="PN",2;+CPINR="PH-NET PIN"')
    wrong = client('AT+CPIN="00000000"')
    right = client('AT+CLCK="PN",0,"98765432"')
    client.later(30)

    assert locked == ["+CPIN: PH-NET PIN", "+CLCK: 1", "+CPINR: PH-NET PIN,10,10", "OK"]
    assert (wrong, right) == (["+CME ERROR: 16"], ["OK"])
    assert client('AT+CPIN?;+CEREG?;+CLCK="PN",2') == ["+CPIN: READY", "+CEREG: 0,1", "+CLCK: 0", "OK"]


def test_ten_wrong_codes_end_all_trying(converse: Converse) -> None:
    client = converse(card={"pin_enabled": False}, module={"unit": {"locked_to": ["00102"]}})
    client("AT+CMEE=1")
    for _ in range(10):
        client('AT+CPIN="11111111"')

    assert client("AT+CPIN?") == ["+CPIN: PH-NET PUK", "OK"]
    assert client('AT+CPIN="00000000"') == ["+CME ERROR: 41"]


def test_nobody_but_the_maker_locks_a_module(client: Client) -> None:
    assert client('AT+CLCK="PN",1,"00000000"') == ["+CME ERROR: 4"]
