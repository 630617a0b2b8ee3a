"""+CREG, +CGREG, +CEREG, +CSCON, +CSQ, +CESQ, +CNUM: told when asked, and by themselves (TS 27.007)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Client = Any  # a conversation
Converse = Callable[..., Client]

READY = {"pin_enabled": False}


@pytest.mark.parametrize(
    ("level", "lines"),
    [
        (1, ["+CEREG: 2", "+CEREG: 1"]),
        (2, ["+CEREG: 2", '+CEREG: 1,"0B2C","01A2B301",7']),
        (3, ["+CEREG: 2", '+CEREG: 1,"0B2C","01A2B301",7']),
        (4, ["+CEREG: 2", '+CEREG: 1,"0B2C","01A2B301",7']),
        (5, ["+CEREG: 2", '+CEREG: 1,"0B2C","01A2B301",7']),
    ],
)
def test_each_change_is_told_once_as_the_level_says(converse: Converse, level: int, lines: list[str]) -> None:
    client = converse()
    client(f'AT+CEREG={level};+CPIN="1234"')

    assert client.later(60) == lines


def test_a_new_place_is_told_from_level_two_on(converse: Converse) -> None:
    for level, expected in ((1, []), (2, ['+CEREG: 1,"0B2D","01A2B302",7'])):
        neighbours = {"north": {"present": False, "area": "0B2D", "cell_id": "01A2B302"}}
        client = converse(card=READY, network={"neighbours": neighbours})
        client.later(30)
        client(f"AT+CEREG={level}")
        client.model.air.move(cell="north", present=True)
        client.model.air.move(present=False)

        assert client.later(20) == expected


@pytest.mark.parametrize(
    ("cause", "told"), [(11, "+CEREG: 3,3,,,,0,11"), (17, "+CEREG: 3,2,,,,0,17"), (None, "+CEREG: 3,1,")]
)
def test_a_refusal_is_told_with_its_cause(converse: Converse, cause: int | None, told: str) -> None:
    client = converse(card=READY, network={"deny_cause": cause} if cause else {})
    client.later(30)

    assert client("AT+CEREG=3;+CEREG?")[0].startswith(told)


def test_2g_is_told_where_it_belongs(converse: Converse) -> None:
    client = converse(card=READY, network={"technology": "2g"})
    client.later(40)

    assert client("AT+CREG=2;+CREG?;+CGREG?;+CEREG?") == [
        '+CREG: 2,1,"0B2C","01A2B301",0',
        "+CGREG: 0,1",
        "+CEREG: 0,0",
        "OK",
    ]


def test_the_connection_is_told_and_ends_after_the_network_s_time(converse: Converse) -> None:
    client = converse(network={"inactivity_s": 10.0})
    client('AT+CSCON=1;+CPIN="1234"')
    heard = client.later(30)
    model = client.model
    idle_ns = model.timeline.now_ns

    assert heard == ["+CSCON: 1", "+CSCON: 0"]
    assert client("AT+CSCON?") == ["+CSCON: 1,0", "OK"]
    assert idle_ns <= 31 * 10**9


def test_levels_are_unknown_while_the_radios_are_off(converse: Converse) -> None:
    client = converse()
    client("AT+CFUN=4")
    client.later(2)

    assert client("AT+CSQ;+CESQ") == ["+CSQ: 99,99", "+CESQ: 99,99,255,255,255,255", "OK"]


def test_2g_has_its_own_scale(converse: Converse) -> None:
    # TS 27.007 8.69: <rxlev> 20 is -91 to -90 dBm; +CSQ 11 is -91 dBm.
    client = converse(network={"technology": "2g", "rsrp_dbm": -90.5})

    assert client("AT+CSQ;+CESQ") == ["+CSQ: 11,99", "+CESQ: 20,99,255,255,255,255", "OK"]


def test_a_receiver_that_measures_wrongly_tells_so(converse: Converse) -> None:
    client = converse(module={"unit": {"receiver": {"level_error_db": -6.0}}})

    assert client("AT+CSQ;+CESQ") == ["+CSQ: 19,99", "+CESQ: 99,99,255,255,20,40", "OK"]


@pytest.mark.parametrize("code", [10, 13, 14])
def test_a_starting_card_reads_as_the_module_s_maker_has_it(converse: Converse, code: int) -> None:
    client = converse(module={"unit": {"at": {"card_starting_error": code}}})
    client("AT+CMEE=1")
    client.model.card.move(present=False)
    client.model.card.move(present=True)

    assert client("AT+CPIN?") == [f"+CME ERROR: {code}"]


def test_the_number_on_the_card_is_told_where_it_is_there(converse: Converse) -> None:
    with_number = converse(card={**READY, "number": "+447700900123"})
    without = converse(card={**READY, "number": None})

    assert with_number("AT+CNUM") == ['+CNUM: "","+447700900123",145', "OK"]
    assert without("AT+CNUM") == ["OK"]


def test_packet_service_is_left_and_attached_to_again(converse: Converse) -> None:
    client = converse(card=READY)
    client.later(30)
    before = client("AT+CGATT?")[0]
    client("AT+CGATT=0")
    client.later(60)
    without = client("AT+CGATT?;+CEREG?")
    client.port.receive(b"AT+CGATT=1\r")
    result = client.later(30)

    assert before == "+CGATT: 1"
    assert without == ["+CGATT: 0", "+CEREG: 0,0", "OK"]
    assert result == ["OK"]
    assert client("AT+CGATT?;+CEREG?") == ["+CGATT: 1", "+CEREG: 0,1", "OK"]
