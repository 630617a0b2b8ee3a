"""+CMEE, +CFUN, +CCLK, identification, level and registration as they read."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.model import Model

Build = Callable[..., Model]


class Client:
    """The AT port, without echo."""

    def __init__(self, model: Model) -> None:
        self.model = model
        self.edges = MemoryEdges(model)
        model.module.ports["at"].client_opened()
        self("ATE0")

    def __call__(self, line: str) -> list[str]:
        self.model.module.ports["at"].receive(line.encode() + b"\r")
        return self.heard()

    def heard(self) -> list[str]:
        return [part for part in self.edges.by_role["at"].take(10_000).decode().split("\r\n") if part]

    def later(self, seconds: float) -> list[str]:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        return self.heard()


@pytest.fixture
def client(build: Build) -> Client:
    """A ready module."""
    return Client(build(start={"module": "ready"}))


def test_errors_are_plain_numbered_or_in_words(client: Client) -> None:
    answers = []
    for level in (0, 1, 2):
        client(f"AT+CMEE={level}")
        answers.append(client("AT+CPIN=0000" if level < 2 else "AT+CPIN=4321,1"))

    assert answers == [["ERROR"], ["+CME ERROR: 16"], ["+CME ERROR: operation not allowed"]]


@pytest.mark.parametrize(
    "line", ["AT+CMEE=3", "AT+CMEE=x", "AT+CMEE=1,1", 'AT+CMEE="1"', "AT+CMEE", "AT+CFUN=2"]
)
def test_a_refused_value_is_a_plain_error_and_changes_nothing(client: Client, line: str) -> None:
    client("AT+CMEE=1")

    assert client(line) == ["ERROR"]
    assert client("AT+CMEE?;+CFUN?") == ["+CMEE: 1", "+CFUN: 1", "OK"]


def test_functionality_is_set_read_and_tested(client: Client) -> None:
    assert client("AT+CFUN=?") == ["+CFUN: (0,1,4),(0-1)", "OK"]
    assert client("AT+CFUN=1") == ["OK"]  # already there: at once
    assert client("AT+CFUN=4") == []
    assert client.later(2) == ["OK"]
    assert client("AT+CFUN?") == ["+CFUN: 4", "OK"]


def test_full_functionality_under_the_pin_is_accepted_and_has_no_effect(client: Client) -> None:
    # Common practice, no source.
    client.model.board.lines.line(85).drive(True, by="test")
    client.later(2)
    client("AT+CFUN=1")
    client.later(2)

    assert client("AT+CFUN?") == ["+CFUN: 4", "OK"]


@pytest.mark.parametrize(
    ("written", "read"),
    [
        ("26/01/15,06:00:00+08", "26/01/15,06:00:00+08"),
        ("94/05/06,22:10:00-04", "94/05/06,22:10:00-04"),
        ("26/02/28,23:59:59", "26/02/28,23:59:59+00"),
    ],
)
def test_the_clock_is_set_and_read(client: Client, written: str, read: str) -> None:
    assert client(f'AT+CCLK="{written}"') == ["OK"]
    assert client("AT+CCLK?") == [f'+CCLK: "{read}"', "OK"]


def test_the_clock_runs(client: Client) -> None:
    client('AT+CCLK="26/02/28,23:59:59+00"')
    client.later(1)

    assert client("AT+CCLK?") == ['+CCLK: "26/03/01,00:00:00+00"', "OK"]


@pytest.mark.parametrize(
    "written",
    ["26/13/01,00:00:00", "26/02/30,00:00:00", "26/01/01,24:00:00", "nonsense", "26/01/01,00:00:00+97"],
)
def test_times_that_cannot_be_are_refused(client: Client, written: str) -> None:
    before = client("AT+CCLK?")

    assert client(f'AT+CCLK="{written}"') == ["ERROR"]
    assert client("AT+CCLK?") == before


def test_identification(client: Client) -> None:
    assert client("AT+CGMI;+CGMM;+CGMR;+CGSN") == [
        "Tarnworks",
        "TARN-L4",
        "TL4-1.4.2",
        "001000000000017",
        "OK",
    ]
    assert client("AT+CGSN=1") == ['+CGSN: "001000000000017"', "OK"]
    assert client("AT+CGSN=2") == ['+CGSN: "0010000000000100"', "OK"]
    assert client("AT+GCAP") == ["+GCAP: +CGSM", "OK"]


def test_registration_reports_by_level(client: Client) -> None:
    client('AT+CREG=1;+CEREG=2;+CPIN="1234"')
    lines = client.later(30)

    assert lines == [
        "+CREG: 2",
        "+CEREG: 2",
        "+CREG: 1",
        '+CEREG: 1,"0B2C","01A2B301",7',
    ]
    assert client("AT+CREG?;+CEREG?") == ["+CREG: 1,1", '+CEREG: 2,1,"0B2C","01A2B301",7', "OK"]


def test_a_refusal_is_reported_with_its_cause_at_level_three(build: Build) -> None:
    client = Client(build(start={"module": "ready"}, network={"deny_cause": 11}))
    client('AT+CEREG=3;+CPIN="1234"')

    assert client.later(30)[-1] == "+CEREG: 3,,,,0,11"
    assert client("AT+CEREG?") == ["+CEREG: 3,3,,,,0,11", "OK"]
    assert client("AT+CREG?") == ["+CREG: 0,3", "OK"]


def test_s_parameters_are_read_with_three_digits_and_kept_in_range(client: Client) -> None:
    assert client("ATS3?") == ["013", "OK"]
    assert client("ATS0=255;S0?")[-1] == "ERROR"  # a semicolon does not part basic commands
    assert client("ATS0=255S0?") == ["255", "OK"]
    assert client("ATS0=256") == ["ERROR"]
    assert client("ATS99?") == ["ERROR"]
    assert client("ATS7=0") == ["ERROR"]
    assert client("ATS7?") == ["060", "OK"]


def test_activity_is_ready_or_asleep(client: Client) -> None:
    awake = client("AT+CPAS")
    client("AT+CFUN=4")
    client.later(2)

    assert awake == ["+CPAS: 0", "OK"]
    assert client("AT+CPAS") == ["+CPAS: 5", "OK"]
    assert client("AT+CPAS=?") == ["+CPAS: (0,5)", "OK"]


def test_the_last_refusal_is_told_with_its_cause(build: Build) -> None:
    client = Client(build(start={"module": "ready"}, network={"deny_cause": 11}))
    before = client("AT+CEER")
    client('AT+CPIN="1234"')
    client.later(30)

    assert before == ["+CEER: no refusal", "OK"]
    assert client("AT+CEER") == ["+CEER: registration refused, cause 11 (PLMN not allowed)", "OK"]


def test_every_command_is_listed_the_maker_s_own_too(client: Client) -> None:
    names = client("AT+CLAC")

    assert {"AT+CLAC", "AT+CPIN", "ATE", "AT&F", "AT*HEAT"} <= set(names)
    assert names[:-1] == sorted(names[:-1])


def test_a_clock_that_does_not_follow_the_network_stays_as_it_is(client: Client) -> None:
    assert client("AT+CTZU?") == ["+CTZU: 1", "OK"]
    client('AT+CTZU=0;+CCLK="25/12/24,12:00:00+00";+CPIN="1234"')
    client.later(60)

    assert client("AT+CTZU?;+CCLK?") == ["+CTZU: 0", '+CCLK: "25/12/24,12:01:00+00"', "OK"]


def test_indicators_are_told_and_reported(client: Client) -> None:
    ranges = '("signal",(0-5)),("service",(0-1)),("roam",(0-1)),("message",(0-1)),("smsfull",(0-1))'
    assert client("AT+CIND=?") == [f"+CIND: {ranges}", "OK"]
    assert client("AT+CIND?") == ["+CIND: 4,0,0,0,0", "OK"]
    client('AT+CMER=3,0,0,2;+CPIN="1234"')
    registered = client.later(30)
    client.model.air.move(rsrp_dbm=-130)
    weak = client.heard()
    client.model.air.move(present=False)
    lost = client.heard()

    assert registered == ["+CIEV: 2,1"]
    assert weak == ["+CIEV: 1,1"]
    assert sorted(lost) == ["+CIEV: 1,0", "+CIEV: 2,0"]
    assert client("AT+CMER?") == ["+CMER: 3,0,0,2,0", "OK"]


def test_events_that_may_not_be_sent_are_kept_and_flushed_on_request(client: Client) -> None:
    client("AT+CMER=0,0,0,1")
    client.model.air.move(present=False)
    kept = client.heard()
    flushed = client("AT+CMER=3,0,0,1,1")
    client("AT+CMER=0,0,0,1")
    client.model.air.move(present=True)

    assert kept == []
    assert flushed == ["OK", "+CIEV: 1,0"]
    assert client("AT+CMER=3,0,0,1,0") == ["OK"]  # <bfr> 0: what was kept is cleared


def test_what_is_kept_is_bounded(client: Client) -> None:
    client("AT+CMER=0,0,0,1")
    for _ in range(100):
        client.model.air.move(present=False)
        client.model.air.move(present=True)

    assert len(client.model.at.channels["at"].session.events_kept) == 32
