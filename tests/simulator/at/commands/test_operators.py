"""+COPS and +CPOL: choosing the operator, looking for all, the preferred ones (TS 27.007 7.3, 7.18)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Client = Any  # a conversation
Converse = Callable[..., Client]

FOREIGN = {"plmn": "00102", "operator": "Ashbeck Guest", "operator_short": "Guest", "rsrp_dbm": -105.0}


@pytest.fixture
def client(converse: Converse) -> Client:
    """Registered at home, with a foreign network in reach; errors are numbers."""
    client = converse(network={"neighbours": {"guest": FOREIGN}}, card={"pin_enabled": False})
    client.later(30)
    client("AT+CMEE=1")
    return client


def test_the_operator_reads_in_the_format_that_was_asked_for(client: Client) -> None:
    found = [client(f"AT+COPS=3,{form};+COPS?")[0] for form in (0, 1, 2)]

    assert found == ['+COPS: 0,0,"Ashbeck Test",7', '+COPS: 0,1,"Ashbeck",7', '+COPS: 0,2,"00101",7']


def test_looking_for_all_takes_its_time_and_names_home_first(client: Client) -> None:
    scan_s = client.model.module.profile.delays.operator_scan_s
    client.port.receive(b"AT+COPS=?\r")
    soon = client.later(scan_s.min - 0.1)
    found = client.later(scan_s.max - scan_s.min + 0.2)

    assert soon == []
    assert found == [
        '+COPS: (2,"Ashbeck Test","Ashbeck","00101",7),(1,"Ashbeck Guest","Guest","00102",7),,(0-4),(0-2)',
        "OK",
    ]


def test_a_forbidden_network_is_named_as_such(client: Client) -> None:
    client.model.card.forbid("00102")
    client.port.receive(b"AT+COPS=?\r")

    assert '(3,"Ashbeck Guest"' in client.later(130)[0]


def test_any_character_ends_the_search(client: Client) -> None:
    # ITU-T V.250 5.6.1.
    client.port.receive(b"AT+COPS=?\r")
    client.later(5)
    client.port.receive(b"x")

    assert client.later(0.1) == ["+CME ERROR: 52"]  # as the table of 9.2 has it
    assert client("AT") == ["OK"]


def test_choosing_by_hand_registers_there_and_the_result_waits_for_it(client: Client) -> None:
    client.port.receive(b'AT+COPS=1,2,"00102"\r')
    soon = client.later(2)
    result = client.later(30)

    assert soon == []
    assert result == ["OK"]
    assert client("AT+CEREG?;+COPS?") == ["+CEREG: 0,5", '+COPS: 1,2,"00102",7', "OK"]


def test_the_result_comes_at_the_instant_of_the_registration(client: Client) -> None:
    timeline = client.model.timeline
    registered: list[int] = []
    client.model.registration.changed.listen(
        lambda _: registered.append(timeline.now_ns) if client.model.registration.is_registered else None
    )
    client.port.receive(b'AT+COPS=1,2,"00102"\r')
    while not client.heard():
        timeline.run_next_instant()

    assert timeline.now_ns - registered[0] < 1_000_000


def test_a_network_that_is_not_there_is_no_service_and_manual_choice_stays(client: Client) -> None:
    # TS 27.007 9.2: 30 no network service.  The mode stays as it was set: a script has to go back itself.
    assert client('AT+COPS=1,2,"00199"') == ["+CME ERROR: 30"]
    assert client("AT+COPS?;+CEREG?") == ["+COPS: 1", "+CEREG: 0,2", "OK"]


def test_a_network_that_refuses_the_choice_is_not_allowed(client: Client) -> None:
    client.model.air.move(cell="guest", deny_cause=11)
    client.port.receive(b'AT+COPS=1,2,"00102"\r')

    # TS 27.007 9.2: 32 network not allowed - emergency calls only.
    assert client.later(60) == ["+CME ERROR: 32"]


def test_manual_then_automatic_falls_back(client: Client) -> None:
    assert client('AT+COPS=4,2,"00199"') == ["OK"]
    client.later(30)
    assert client("AT+COPS?") == ['+COPS: 0,2,"00101",7', "OK"]


def test_none_ends_the_registration_until_automatic_is_chosen(client: Client) -> None:
    client("AT+COPS=2")
    client.later(600)
    without = client("AT+COPS?;+CEREG?")
    client.port.receive(b"AT+COPS=0\r")
    client.later(30)

    assert without == ["+COPS: 2", "+CEREG: 0,0", "OK"]
    assert client("AT+CEREG?") == ["+CEREG: 0,1", "OK"]


def test_a_choice_that_was_left_behind_outlives_a_restart(client: Client) -> None:
    client("AT+COPS=2")
    client.model.module.power.restart("test")
    client.later(120)

    assert not client.model.registration.is_registered


@pytest.mark.parametrize("line", ["AT+COPS=1", 'AT+COPS=1,2,"Ashbeck"', "AT+COPS=5", 'AT+COPS=1,0,"Nobody"'])
def test_a_choice_that_names_no_network_is_refused(client: Client, line: str) -> None:
    assert client(line)[0].startswith(("ERROR", "+CME ERROR"))
    assert client.model.registration.is_registered


def test_preferred_operators_are_written_told_and_cleared(client: Client) -> None:
    client('AT+CPOL=1,2,"00102"')
    client('AT+CPOL=,2,"00103"')
    both = client("AT+CPOL?")
    client("AT+CPOL=1")

    assert both == ['+CPOL: 1,2,"00102"', '+CPOL: 2,2,"00103"', "OK"]
    assert client("AT+CPOL?") == ['+CPOL: 1,2,"00103"', "OK"]
    assert client("AT+CPOL=7") == ["+CME ERROR: 21"]  # invalid index


def test_the_card_s_preference_decides_abroad(converse: Converse) -> None:
    cells = {"guest": FOREIGN, "other": {**FOREIGN, "plmn": "00103", "rsrp_dbm": -80.0}}
    client = converse(
        network={"present": False, "neighbours": cells},
        card={"pin_enabled": False, "preferred_plmns": ["00102"]},
    )
    client.later(30)

    assert client("AT+COPS=3,2;+COPS?") == ['+COPS: 0,2,"00102",7', "OK"]
