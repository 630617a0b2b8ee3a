"""Every command's plain exchange: one line of data each; a ready `tarn-l4`, its card waiting for the PIN."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest

from simulator.at.grammar import Command, Form, parse
from simulator.at.registry import COMMANDS

# What is sent, and the lines that come within a minute.
EXCHANGES = (
    ("ATE1E0", "OK"),
    ("ATV1", "OK"),
    ("ATQ0", "OK"),
    ("ATX4", "OK"),
    ("ATZE0", "OK"),
    ("AT&FE0", "OK"),
    ("AT&C1", "OK"),
    ("AT&D2", "OK"),
    ("ATH", "OK"),
    ("ATI", "Tarnworks", "TARN-L4", "Revision: TL4-1.4.2", "OK"),
    ("ATS0=2S0?", "002", "OK"),
    ("AT+GMI", "Tarnworks", "OK"),
    ("AT+GMM", "TARN-L4", "OK"),
    ("AT+GMR", "TL4-1.4.2", "OK"),
    ("AT+GSN", "001000000000017", "OK"),
    ("AT+GCAP", "+GCAP: +CGSM", "OK"),
    ("AT+IPR=9600;+IPR?", "+IPR: 115200", "OK"),  # it takes effect after the result
    ("AT+ICF=2,1;+ICF?", "+ICF: 3,3", "OK"),
    ("AT+IFC=2,2;+IFC?", "+IFC: 0,0", "OK"),
    ("AT+FCLASS=0;+FCLASS?", "0", "OK"),
    ("AT+CGMI", "Tarnworks", "OK"),
    ("AT+CGMM", "TARN-L4", "OK"),
    ("AT+CGMR", "TL4-1.4.2", "OK"),
    ("AT+CGSN=1", '+CGSN: "001000000000017"', "OK"),
    ('AT+CSCS="UCS2";+CSCS?', '+CSCS: "UCS2"', "OK"),
    ("AT+CMEE=1;+CIMI", "+CME ERROR: 11"),
    ("AT+CPAS", "+CPAS: 0", "OK"),
    ("AT+CFUN?", "+CFUN: 1", "OK"),
    ("AT+CPIN?", "+CPIN: SIM PIN", "OK"),
    ("AT+CPINR", "+CPINR: SIM PIN,3,3", "+CPINR: SIM PUK,10,10", "OK"),
    ("AT+CSQ", "+CSQ: 22,99", "OK"),
    ("AT+CREG?", "+CREG: 0,0", "OK"),
    ("AT+CEREG?", "+CEREG: 0,0", "OK"),
    ("AT+CGREG=5;+CGREG?", "+CGREG: 5,0", "OK"),
    ("AT+CGATT?", "+CGATT: 0", "OK"),
    ("AT+CSCON=1;+CSCON?", "+CSCON: 1,0", "OK"),
    ("AT+CESQ", "+CESQ: 99,99,255,255,20,46", "OK"),
    ("AT+COPS=3,2;+COPS?", "+COPS: 0", "OK"),
    ("AT+CMEE=1;+CPOL?", "+CME ERROR: 11"),
    ("AT+CMEE=1;+CNUM", "+CME ERROR: 11"),
    ('AT+CMEE=1;+CLCK="SC",2', "+CME ERROR: 11"),
    ('AT+CMEE=1;+CPWD="SC","1234","4321"', "+CME ERROR: 11"),
    ("AT+CRSM=176,12258,0,0,10", '+CRSM: 144,0,"989909000000000021F1"', "OK"),
    ("AT+CIND?", "+CIND: 4,0,0,0,0", "OK"),
    ("AT+CMER=3,0,0,2;+CMER?", "+CMER: 3,0,0,2,0", "OK"),
    ('AT+CCLK="26/01/15,06:00:00+08";+CCLK?', '+CCLK: "26/01/15,06:00:00+08"', "OK"),
    ("AT+CTZU=0;+CTZU?", "+CTZU: 0", "OK"),
    ("AT+CTZR=2;+CTZR?", "+CTZR: 2", "OK"),
    ("AT+CMEE=2;+CMEE?", "+CMEE: 2", "OK"),
    ("AT+CEER", "+CEER: no refusal", "OK"),
    ("AT+CLAC=?", "OK"),
)

# The same with the card unlocked and the module registered; 1A ends a message, and a prompt is a line.
MESSAGE_EXCHANGES = (
    ("AT+CSMS=1;+CSMS?", "+CSMS: 1,1,0", "+CSMS: 1,1,1,0", "OK"),
    ('AT+CPMS="ME","ME";+CPMS?', "+CPMS: 0,100,0,100,0,20", '+CPMS: "ME",0,100,"ME",0,100,"SM",0,20', "OK"),
    ("AT+CMGF=1;+CMGF?", "+CMGF: 1", "OK"),
    ('AT+CSCA="+447700900001";+CSCA?', '+CSCA: "+447700900001",145', "OK"),
    ("AT+CSMP=49,,,8;+CSMP?", "+CSMP: 49,167,0,8", "OK"),
    ("AT+CSDH=1;+CSDH?", "+CSDH: 1", "OK"),
    ("AT+CSMP=49;+CSAS;+CSMP=17;+CRES;+CSMP?", "+CSMP: 49,167,0,0", "OK"),
    ("AT+CRES=0", "OK"),
    ("AT+CNMI=2,1,0,2;+CNMI?", "+CNMI: 2,1,0,2,0", "OK"),
    ("AT+CMGL", "OK"),
    ("AT+CMGR=1", "+CMS ERROR: 321"),
    ("AT+CMGD=1", "OK"),
    ("AT+CNMA", "+CMS ERROR: 302"),
    ('AT+CMGF=1;+CMGS="+447700900999"\rLevel 4.2 m\x1a', "> ", "+CMGS: 1", "OK"),
    ('AT+CMGF=1;+CMGW="+447700900999"\rLevel 4.2 m\x1a', "> ", "+CMGW: 1", "OK"),
    ("AT+CMSS=1", "+CMS ERROR: 321"),
    ('AT+CMGF=1;+CMGC=2,0,0,1,"+447700900999"\r\x1a', "> ", "+CMGC: 1", "OK"),
    ("AT+CMMS=2;+CMMS?", "+CMMS: 2", "OK"),
)

# What `=?` answers; OK follows.  A command that is not listed answers OK alone.
RANGES = {
    "+CCLK": None,
    "+CEREG": "+CEREG: (0-5)",
    "+CESQ": "+CESQ: (0-63,99),(0-7,99),(0-96,255),(0-49,255),(0-34,255),(0-97,255)",
    "+CGATT": "+CGATT: (0-1)",
    "+CGREG": "+CGREG: (0-5)",
    "+CLCK": '+CLCK: ("SC","PN")',
    "+COPS": '+COPS: (1,"Ashbeck Test","Ashbeck","00101",7),,(0-4),(0-2)',
    "+CPOL": "+CPOL: (1-20),(0-2)",
    "+CPWD": '+CPWD: ("SC",8)',
    "+CSCON": "+CSCON: (0-1)",
    "+CFUN": "+CFUN: (0,1,4),(0-1)",
    "+CGSN": "+CGSN: (0-3)",
    "+CIND": '+CIND: ("signal",(0-5)),("service",(0-1)),("roam",(0-1)),("message",(0-1)),("smsfull",(0-1))',
    "+CMEE": "+CMEE: (0-2)",
    "+CMGD": "+CMGD: (),(0-4)",
    "+CMGF": "+CMGF: (0-1)",
    "+CMGL": "+CMGL: (0-4)",
    "+CMMS": "+CMMS: (0-2)",
    "+CNMA": "+CNMA: (0-2)",
    "+CNMI": "+CNMI: (0-3),(0-3),(0-3),(0-2),(0-1)",
    "+CPMS": '+CPMS: ("SM","ME","MT","SR"),("SM","ME","MT"),("SM","ME","MT")',
    "+CRES": "+CRES: (0)",
    "+CSAS": "+CSAS: (0)",
    "+CSDH": "+CSDH: (0-1)",
    "+CSMS": "+CSMS: (0-1)",
    "+CMER": "+CMER: (0-3),(0),(0),(0-2),(0-1)",
    "+CPAS": "+CPAS: (0,5)",
    "+CREG": "+CREG: (0-3)",
    "+CSCS": '+CSCS: ("IRA","GSM","UCS2")',
    "+CSQ": "+CSQ: (0-31,99),(0-7,99)",
    "+CTZR": "+CTZR: (0-3)",
    "+CTZU": "+CTZU: (0-1)",
    "+FCLASS": "0",
    "+ICF": "+ICF: (1-6),(0-3)",
    "+IFC": "+IFC: (0,2),(0,2)",
    "+IPR": "+IPR: (),(300,1200,2400,4800,9600,19200,38400,57600,115200,230400,460800,921600)",
}


WRONG = ("=99999999999999999999", "=-1", "=x", '="half', "=" + ",".join("0" * 9), '=""', "=1 1", '="a"b')


@pytest.mark.parametrize("exchange", EXCHANGES, ids=lambda exchange: exchange[0])
def test_the_exchange(converse: Callable[..., Any], exchange: tuple[str, ...]) -> None:
    sent, *expected = exchange
    client = converse()

    assert client(sent) + client.later(60) == expected


@pytest.mark.parametrize("exchange", MESSAGE_EXCHANGES, ids=lambda exchange: repr(exchange[0]))
def test_the_exchange_about_messages(converse: Callable[..., Any], exchange: tuple[str, ...]) -> None:
    sent, *expected = exchange
    client = converse()
    client('AT+CPIN="1234"')
    client.later(60)

    assert client(sent) + client.later(60) == expected


def test_every_command_has_its_exchange() -> None:
    shown = {
        command.name
        for sent, *_ in EXCHANGES + MESSAGE_EXCHANGES
        for command in parse(sent.split("\r")[0][2:])
        if isinstance(command, Command)
    }

    assert shown == {command.name for command in COMMANDS}


def test_every_extended_command_tells_its_ranges_and_nothing_is_changed(converse: Callable[..., Any]) -> None:
    client = converse()
    for command in COMMANDS:
        if command.name.startswith("+"):
            text = RANGES.get(command.name)
            answer = client(f"AT{command.name}=?") or client.later(130)  # operators are looked for
            assert answer == ([text, "OK"] if text else ["OK"]), command.name
            assert Form.TEST in command.all_forms


def test_forms_that_a_command_does_not_have_are_refused(converse: Callable[..., Any]) -> None:
    client = converse()
    for command in COMMANDS:
        if not command.name.startswith("+"):
            continue
        for form, written in ((Form.ACTION, ""), (Form.READ, "?"), (Form.SET, "=1")):
            if form not in command.all_forms:
                assert client(f"AT{command.name}{written}") == ["ERROR"], command.name + written


def test_bad_values_are_refused_with_a_plain_error_and_change_nothing(converse: Callable[..., Any]) -> None:
    # TS 27.007 9.1: a plain ERROR is kept for syntax and invalid parameters.
    client = converse()
    client('AT+CMEE=1;+CPIN="1234"')
    client.later(60)
    readable = [
        command.name
        for command in COMMANDS
        if {Form.READ, Form.SET} <= command.forms and command.name not in ("S", "+CCLK")
    ]
    readings = "AT" + ";".join(f"{name}?" for name in readable)
    before = client(readings)
    for command in COMMANDS:
        if Form.SET not in command.forms or not command.name.startswith("+"):
            continue
        for written in WRONG:
            if command.name == "+CPINR" or (command.name, written) in (
                ("+CPIN", "=99999999999999999999"),
                ("+CSCA", '=""'),  # there is no service centre then
            ):
                continue
            answer = client(f"AT{command.name}{written}")
            assert len(answer) == 1, command.name + written
            assert re.fullmatch(r"ERROR|\+CM[ES] ERROR: \d+", answer[0]), command.name + written
    assert client(readings) == before
