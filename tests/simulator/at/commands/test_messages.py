"""Message commands: what each leaves in store, on the air and on the port (3GPP TS 27.005)."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.codec.addresses import Address
from simulator.codec.message_pdu import MessagePdu
from simulator.codec.tpdu import Submit
from simulator.codec.user_data import UserData

OTHER = "+447700900999"
CENTRE = "0791447700090000"

Make = Callable[..., Any]


@pytest.fixture
def client(converse: Make) -> Make:
    """A conversation with a registered module; what is to be different is passed on."""

    def client(**overrides: Any) -> Any:  # noqa: ANN401 # a Conversation
        found = converse(**overrides)
        found('AT+CPIN="1234"')
        found.later(60)
        found("AT+CNMI=2,1,0,2")
        return found

    return client


def hexadecimal(text: str, to: str = OTHER) -> tuple[str, int]:
    """A message without service centre as PDU mode writes it, and its length."""
    data = UserData.of(text)
    octets = Submit(recipient=Address.of(to), data=data, dcs=4 * data.alphabet.value).encode()
    return MessagePdu(None, octets).text, len(octets)


# -- text mode ------------------------------------------------------------------


def test_a_received_message_is_unread_until_it_is_listed_or_read(client: Make) -> None:
    here = client()
    here("AT+CMGF=1")
    here.model.service_centre.bring(text="LEVEL?", sender="+447700900200")
    assert here.later(10) == ['+CMTI: "SM",1']
    row = '"+447700900200",,"26/01/15,06:01:00+00"'
    assert here('AT+CMGL="REC READ"') == ["OK"]
    assert here('AT+CMGL="REC UNREAD"') == [f'+CMGL: 1,"REC UNREAD",{row}', "LEVEL?", "OK"]
    assert here("AT+CMGL") == ["OK"]

    assert here("AT+CMGR=1") == [f'+CMGR: "REC READ",{row}', "LEVEL?", "OK"]


def test_headers_are_shown_where_they_are_asked_for(client: Make) -> None:
    here = client()
    here("AT+CMGF=1;+CSDH=1")
    here.model.service_centre.bring(text="LEVEL?", sender="+447700900200")
    here.later(10)
    row = '"+447700900200",,"26/01/15,06:01:00+00",145'

    assert here('AT+CMGL="ALL"') == [f'+CMGL: 1,"REC UNREAD",{row},6', "LEVEL?", "OK"]
    assert here("AT+CMGR=1") == [f'+CMGR: "REC READ",{row},4,0,0,"+447700900000",145,6', "LEVEL?", "OK"]


def test_a_written_message_is_unsent_until_it_is_sent(client: Make) -> None:
    here = client()
    here("AT+CMGF=1;+CSDH=1")
    assert here(f'AT+CMGW="{OTHER}"\rabc\x1a') == ["> ", "+CMGW: 1", "OK"]
    assert here("AT+CMGR=1") == [f'+CMGR: "STO UNSENT","{OTHER}",,145,17,0,0,167,"",129,3', "abc", "OK"]
    assert here("AT+CMSS=1") + here.later(10) == ["+CMSS: 1", "OK"]

    assert here('AT+CMGL="STO SENT"') == [f'+CMGL: 1,"STO SENT","{OTHER}",,,145,3', "abc", "OK"]


def test_a_stored_message_goes_to_another_number_where_one_is_given(client: Make) -> None:
    here = client()
    here("AT+CMGF=1")
    here("AT+CMGW\rabc\x1a")
    assert here("AT+CMSS=1") == ["+CMS ERROR: 305"]  # it has no number
    here('AT+CMSS=1,"+447700900123"')

    assert here.later(20) == ["+CMSS: 1", "OK", '+CMTI: "SM",2']


def test_text_is_written_and_read_in_the_terminal_s_character_set(client: Make) -> None:
    here = client()
    here("AT+CMGF=1")
    here.model.service_centre.bring(text="°[é]€@_水", sender="+4477")
    here.model.service_centre.bring(text="[é]€@_", sender="+4477")
    here.later(20)
    shown = {}
    for name in ("IRA", "GSM", "UCS2"):
        here(f'AT+CSCS="{name}"')
        lines = here("AT+CMGR=2")
        shown[name] = lines[1]

    assert shown == {
        "IRA": "[?]?@_",
        "GSM": "\x1b<\x05\x1b>\x1be\x00\x11",
        "UCS2": "005B00E9005D20AC0040005F",
    }
    assert '"002B0034003400370037"' in here("AT+CMGR=1")[0]
    # UCS2 messages are octets in any set.
    assert here("AT+CMGR=1")[1] == "°[é]€@_水".encode("utf-16-be").hex().upper()


def test_ucs2_is_written_as_hexadecimal_digits(client: Make) -> None:
    here = client()
    here('AT+CMGF=1;+CSCS="UCS2"')
    number = "+447700900123".encode("utf-16-be").hex()
    here(f'AT+CMGS="{number}"\r{"[é]€".encode("utf-16-be").hex()}\x1a')
    here("AT+CSMP=17,167,0,8")
    here.later(20)
    here(f'AT+CMGS="{number}"\r{"水位".encode("utf-16-be").hex()}\x1a')
    here.later(20)
    texts = [stored.message.data.text for _, stored in here.model.messages.memory(0)]

    assert texts == ["[é]€", "水位"]


def test_octets_and_headers_are_written_as_hexadecimal_digits(client: Make) -> None:
    here = client()
    here("AT+CMGF=1;+CSMP=17,167,0,4")
    here('AT+CMGS="+447700900123"\r00FF7F\x1a')
    here.later(20)
    here("AT+CSMP=81,167,0,4")
    here('AT+CMGS="+447700900123"\r0500031F0201AABB\x1a')
    here.later(20)
    first, second = [stored.message.data for _, stored in here.model.messages.memory(0)]

    assert first.content == b"\x00\xff\x7f"
    assert (second.content, second.place.number) == (b"\xaa\xbb", 1)
    assert here("AT+CMGR=2")[1] == "0500031F0201AABB"


@pytest.mark.parametrize(
    ("settings", "text"),
    [
        ("17,167,0,0", "x" * 161),
        ("17,167,0,4", "0"),
        ("17,167,0,4", "0G"),
        ("17,167,0,4", "00" * 141),
        ("17,167,0,8", "00"),
        ("17,167,0,12", "x"),
        ("81,167,0,4", "0500"),
        ("16,167,0,0", "x"),
        ('17,"26/01/15,06:00:00+00",0,0', "x"),
    ],
)
def test_text_that_makes_no_message_is_refused_and_nothing_is_sent_or_stored(
    client: Make, settings: str, text: str
) -> None:
    here = client()
    here(f"AT+CMGF=1;+CSMP={settings}")
    for name in ("+CMGS", "+CMGW"):
        if settings.startswith("16") and name == "+CMGW":
            continue
        assert (here(f'AT{name}="{OTHER}"\r{text}\x1a') + here.later(20))[1:] == ["+CMS ERROR: 305"]

    assert here.model.messages.stores["MT"].used == 0
    assert not any(event.what == "sending" for event in here.model.recorder.take())


@pytest.mark.parametrize("number", ["", "x", "+44 77", "1" * 21])
def test_what_is_no_number_gets_no_prompt(client: Make, number: str) -> None:
    here = client()
    here("AT+CMGF=1")

    assert here(f'AT+CMGS="{number}"') in (["+CMS ERROR: 305"], ["ERROR"])


@pytest.mark.parametrize(
    ("validity", "first", "shown"),
    [
        ("0", 17, "0"),
        ('"26/02/01,12:00:00+04"', 25, '"26/02/01,12:00:00+04"'),
        ('"021E0000000000"', 9, '"021E0000000000"'),
    ],
)
def test_every_form_of_validity_is_written_and_shown(
    client: Make, validity: str, first: int, shown: str
) -> None:
    here = client()
    here(f"AT+CMGF=1;+CSDH=1;+CSMP={first},{validity}")
    assert here("AT+CSMP?") == [f"+CSMP: {first},{shown},0,0", "OK"]
    here(f'AT+CMGW="{OTHER}"\rx\x1a')

    assert f",{first},0,0,{shown}," in here("AT+CMGR=1")[0]


@pytest.mark.parametrize("validity", ["256", '"tomorrow"', '"021E"'])
def test_a_validity_that_is_none_is_refused_and_the_old_one_stays(client: Make, validity: str) -> None:
    here = client()

    assert here(f"AT+CSMP=49,{validity}") == ["ERROR"]
    assert here("AT+CSMP?") == ["+CSMP: 17,167,0,0", "OK"]


# -- PDU mode -------------------------------------------------------------------


def test_octets_are_listed_read_and_written(client: Make) -> None:
    here = client()
    text, length = hexadecimal("Level 4.2 m")
    assert here(f"AT+CMGW={length}\r{text}\x1a") == ["> ", "+CMGW: 1", "OK"]
    assert here(f"AT+CMGW={length},3\r{CENTRE}{text[2:]}\x1a") == ["> ", "+CMGW: 2", "OK"]

    assert here("AT+CMGL=2") == [f"+CMGL: 1,2,,{length}", text, "OK"]
    assert here("AT+CMGR=2") == [f"+CMGR: 3,,{length}", CENTRE + text[2:], "OK"]
    assert here("AT+CMGL=4")[::2] == [f"+CMGL: 1,2,,{length}", f"+CMGL: 2,3,,{length}", "OK"]


def test_a_received_message_can_be_written_too(client: Make) -> None:
    here = client()
    tpdu = "040C914477009000210000621051600000000141"
    assert here(f"AT+CMGW=20,1\r{CENTRE}{tpdu}\x1a")[1:] == ["+CMGW: 1", "OK"]
    here("AT+CMGF=1")

    assert here("AT+CMGR=1") == ['+CMGR: "REC READ","+447700090012",,"26/01/15,06:00:00+00"', "A", "OK"]


@pytest.mark.parametrize(
    "change",
    [
        lambda text, length: (text[:-1], length),
        lambda text, length: (text[:-2], length),
        lambda text, length: (text + "00", length),
        lambda text, length: (text + "00", length + 1),
        lambda text, length: (text, length + 1),
        lambda text, length: (text, length - 1),
        lambda text, length: (text[:-2] + "G0", length),
        lambda text, length: (text.replace("0000", "000C", 1), length),
        lambda text, length: (text[:0], length),
        lambda text, length: (text * 10, length),
        lambda text, length: (text[:2] + "02" + text[4:], length),
    ],
    ids=(
        "odd",
        "cut",
        "longer",
        "longer by its length",
        "length+",
        "length-",
        "digit",
        "coding",
        "empty",
        "huge",
        "kind",
    ),
)
def test_octets_that_are_damaged_are_refused_and_nothing_is_sent_or_stored(client: Make, change: Any) -> None:  # noqa: ANN401 # a lambda
    here = client()
    text, length = change(*hexadecimal("Level 4.2 m"))
    for name in ("+CMGS", "+CMGW"):
        lines = here(f"AT{name}={length}\r{text}\x1a") + here.later(20)
        if name == "+CMGW" and lines[1:] == ["+CMGW: 1", "OK"]:
            pytest.fail(f"stored {text}")
        assert lines == ["> ", "+CMS ERROR: 304"]

    assert here.model.messages.stores["MT"].used == 0
    assert not any(event.what == "sending" for event in here.model.recorder.take())


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_any_damaged_message_is_refused_and_nothing_is_sent_or_stored(
    client: Make, data: st.DataObject
) -> None:
    here = _kept(client)
    text, length = hexadecimal(
        data.draw(st.text(st.characters(codec="ascii", categories=("L", "N")), max_size=30))
    )
    place = data.draw(st.integers(0, len(text) - 1))
    damaged = data.draw(
        st.sampled_from(
            [
                text[:place],
                text + "00",
                text[:place] + "x" + text[place + 1 :],
                text[:place] + text[place + 1 :],
            ]
        )
    )
    name = data.draw(st.sampled_from(["+CMGS", "+CMGW"]))
    lines = here(f"AT{name}={length}\r{damaged}\x1a") + here.later(10)

    assert lines == ["> ", "+CMS ERROR: 304"]
    assert here.model.messages.stores["MT"].used == 0
    assert not any(event.what == "sending" for event in here.model.recorder.take())


_KEPT: dict[int, Any] = {}


def _kept(client: Make) -> Any:  # noqa: ANN401 # a Conversation
    """One conversation for all examples: nothing that they send leaves a trace."""
    return _KEPT.setdefault(id(client), client())


@pytest.mark.parametrize("length", ["6", "165", "999"])
def test_a_length_that_none_can_have_gets_no_prompt(client: Make, length: str) -> None:
    here = client()

    assert here(f"AT+CMGS={length}") == ["+CMS ERROR: 304"]
    assert here("AT") == ["OK"]


def test_a_service_centre_in_front_wins_over_the_card_s(client: Make) -> None:
    here = client(service_centre={"number": "+447700900777"})
    text, length = hexadecimal("x")
    assert here(f"AT+CMGS={length}\r{text}\x1a") + here.later(10) == ["> ", "+CMS ERROR: 38"]
    lines = here(f"AT+CMGS={length}\r07914477009077F7{text[2:]}\x1a") + here.later(10)

    assert lines == ["> ", "+CMS ERROR: 38"]
    right = MessagePdu(Address.of("+447700900777"), bytes.fromhex(text[2:])).text
    assert here(f"AT+CMGS={length}\r{right}\x1a") + here.later(10) == ["> ", "+CMGS: 3", "OK"]


def test_a_module_that_forgives_takes_an_odd_digit_and_a_wrong_length(client: Make) -> None:
    here = client(module={"unit": {"messages": {"quirks": {"forgives_pdu": True}}}})
    text, length = hexadecimal("x")

    assert here(f"AT+CMGW={length + 1}\r{text}0\x1a")[1:] == ["+CMGW: 1", "OK"]


# -- stores -----------------------------------------------------------------------


def test_a_full_store_says_so_and_another_one_helps(client: Make) -> None:
    here = client(card={"messages": 2})
    here("AT+CMGF=1")
    answers = [here(f'AT+CMGW="{OTHER}"\rx\x1a')[1:] for _ in range(3)]
    assert answers == [["+CMGW: 1", "OK"], ["+CMGW: 2", "OK"], ["+CMS ERROR: 322"]]
    assert here("AT+CPMS?")[0] == '+CPMS: "SM",2,2,"SM",2,2,"SM",2,2'

    assert here('AT+CPMS="SM","ME"') == ["+CPMS: 2,2,0,100,2,2", "OK"]
    assert here(f'AT+CMGW="{OTHER}"\rx\x1a')[1:] == ["+CMGW: 1", "OK"]


def test_both_stores_are_one_where_that_is_asked_for(client: Make) -> None:
    here = client()
    here("AT+CMGF=1")
    here(f'AT+CMGW="{OTHER}"\rcard\x1a')
    here(f'AT+CPMS="MT","ME";+CMGW="{OTHER}"\rmodule\x1a')

    assert here('AT+CMGL="ALL"')[:-1] == [
        f'+CMGL: 1,"STO UNSENT","{OTHER}",,',
        "module",
        f'+CMGL: 101,"STO UNSENT","{OTHER}",,',
        "card",
    ]


@pytest.mark.parametrize(("flag", "left"), [(0, 3), (1, 3), (2, 2), (3, 1), (4, 0)])
def test_a_flag_deletes_what_the_standard_says(client: Make, flag: int, left: int) -> None:
    here = client()
    here("AT+CMGF=1")
    here.model.service_centre.bring(text="read")
    here.later(10)
    here("AT+CMGR=1")
    here.model.service_centre.bring(text="unread")
    here.later(10)
    here(f'AT+CMGW="{OTHER}"\runsent\x1a')
    here(f'AT+CMGW="{OTHER}",145,"STO SENT"\rsent\x1a')
    assert here("AT+CMGD=?") == ["+CMGD: (1,2,3,4),(0-4)", "OK"]
    here(f"AT+CMGD=1,{flag}")

    assert here.model.messages.memory(0).used == left


def test_a_place_that_does_not_exist_is_refused_and_a_free_one_is_not(client: Make) -> None:
    here = client()

    assert here("AT+CMGD=20") == ["OK"]
    assert here("AT+CMGD=21") == ["+CMS ERROR: 321"]
    assert here("AT+CMGD=0") == ["+CMS ERROR: 321"]


def test_a_restart_brings_the_first_store_back_and_keeps_its_messages(client: Make) -> None:
    here = client()
    here(f'AT+CMGF=1;+CPMS="ME","ME","ME";+CMGW="{OTHER}"\rx\x1a')
    here.model.module.power.restart("test")
    here.later(60)
    here.port.client_opened()
    here('ATE0+CPIN="1234"')
    here.later(30)

    assert here("AT+CPMS?")[0] == '+CPMS: "SM",0,20,"SM",0,20,"SM",0,20'
    assert here('AT+CPMS="ME"')[0] == "+CPMS: 1,100,0,20,0,20"


def test_a_report_is_kept_where_reports_are(client: Make) -> None:
    here = client()
    here("AT+CMGF=1;+CSMP=49")
    here(f'AT+CMGS="{OTHER}"\rx\x1a')
    assert here.later(20) == ["+CMGS: 1", "OK", '+CDSI: "SR",1']
    assert here("AT+CMGR=1") == ["+CMS ERROR: 321"]
    here('AT+CPMS="SR"')
    stamps = r'"26/01/15,06:01:\d\d\+00","26/01/15,06:01:\d\d\+00"'

    assert re.fullmatch(rf'\+CMGR: "REC UNREAD",6,1,"\{OTHER}",145,{stamps},0', here("AT+CMGR=1")[0])
    assert re.fullmatch(rf'\+CMGL: 1,"REC READ",6,1,"\{OTHER}",145,{stamps},0', here('AT+CMGL="ALL"')[0])


# -- what comes by itself ------------------------------------------------------------


@pytest.mark.parametrize(
    ("setting", "expected"),
    [
        ("2,0", []),
        ("2,1", ['+CMTI: "SM",1']),
        ("2,2", ['+CMT: "+4477",,"26/01/15,06:01:00+00"', "x"]),
        ("2,3", ['+CMTI: "SM",1']),
        ("0,1", []),
        ("1,1", ['+CMTI: "SM",1']),
        ("3,1", ['+CMTI: "SM",1']),
    ],
)
def test_a_message_is_told_or_handed_out_as_asked(client: Make, setting: str, expected: list[str]) -> None:
    here = client()
    here(f"AT+CMGF=1;+CNMI={setting}")
    here.model.service_centre.bring(text="x", sender="+4477")

    assert here.later(20) == expected


def test_octets_are_handed_out_with_their_length(client: Make) -> None:
    here = client()
    here("AT+CNMI=2,2,0,1")
    here.model.service_centre.bring(text="A", sender="+4477")
    assert here.later(20) == ["+CMT: ,16", CENTRE + "0404914477000062105160100000" + "0141"]
    text, length = hexadecimal("x")
    text = text[:2] + "21" + text[4:]  # a report is asked for
    here(f"AT+CMGS={length}\r{text}\x1a")
    lines = here.later(20)

    assert lines[2] == "+CDS: 25"
    assert lines[3].startswith(CENTRE + "06010C91")


def test_mode_0_keeps_lines_until_they_may_come_or_drops_them(client: Make) -> None:
    here = client()
    here("AT+CNMI=0,1")
    here.model.service_centre.bring(text="a")
    assert here.later(20) == []
    assert here("AT+CNMI=2,1") == ["OK", '+CMTI: "SM",1']
    here("AT+CNMI=0,1")
    here.model.service_centre.bring(text="b")
    here.later(20)

    assert here("AT+CNMI=2,1,0,0,1") == ["OK"]


def test_mode_0_keeps_the_latest_32_lines(client: Make) -> None:
    here = client(card={"messages": 50})
    here("AT+CNMI=0,1")
    for _ in range(40):
        here.model.service_centre.bring(text="a")
    here.later(60)

    assert here("AT+CNMI=2,1")[1:] == [f'+CMTI: "SM",{index}' for index in range(9, 41)]


@pytest.mark.parametrize(("mode", "told"), [(0, 0), (1, 0), (2, 1), (3, 1)])
def test_while_a_message_is_entered_a_mode_discards_keeps_or_sends(
    client: Make, mode: int, told: int
) -> None:
    here = client()
    here(f'AT+CMGF=1;+CNMI={mode},1;+CMGW="{OTHER}"')
    here.model.service_centre.bring(text="a")
    assert here.later(20) == []
    lines = here("x\x1a")

    assert lines == ["+CMGW: 2", "OK"] + ['+CMTI: "SM",1'] * told


def test_a_message_that_cannot_be_handed_out_now_stays_with_the_centre(client: Make) -> None:
    here = client()
    here(f'AT+CMGF=1;+CNMI=1,2;+CMGW="{OTHER}"')
    here.model.service_centre.bring(text="a")
    assert here.later(20) == []
    here("x\x1a")

    assert here.later(90)[1:] == ["a"]


def test_each_port_gets_what_it_asked_for(client: Make) -> None:
    here = client()
    data = here.model.module.ports["data"]
    data.client_opened()
    data.receive(b"ATE0+CMGF=1;+CNMI=2,2\r")
    here.model.service_centre.bring(text="a", sender="+4477")

    assert here.later(20) == []
    heard = here.edges.by_role["data"].take(1000)
    assert heard.endswith(b'\r\n+CMT: "+4477",,"26/01/15,06:01:00+00"\r\na\r\n')


def test_a_class_decides_where_a_message_is_kept(client: Make) -> None:
    here = client()
    for message_class in (1, 2):
        here.model.service_centre.bring(text="a", message_class=message_class)

    assert here.later(20) == ['+CMTI: "ME",1', '+CMTI: "SM",1']


# -- acknowledgement --------------------------------------------------------------------


def test_what_is_handed_out_wants_to_be_acknowledged_under_phase_2_plus(client: Make) -> None:
    here = client()
    here("AT+CSMS=1;+CMGF=1;+CNMI=2,2")
    assert here("AT+CNMA") == ["+CMS ERROR: 340"]
    here.model.service_centre.bring(text="a")
    assert here.later(10)[1:] == ["a"]
    assert here("AT+CNMA") == ["OK"]
    assert here("AT+CNMA") == ["+CMS ERROR: 340"]

    assert here.later(200) == []


def test_without_acknowledgement_nothing_more_is_handed_out_and_the_message_is_stored_later(
    client: Make,
) -> None:
    here = client()
    here("AT+CSMS=1;+CMGF=1;+CNMI=2,2,0,1")
    here.model.service_centre.bring(text="a")
    here.later(10)
    here.later(20)
    assert here("AT+CNMI?") == ["+CNMI: 2,0,0,0,0", "OK"]
    here("AT+CNMI=2,1")

    assert here.later(90) == ['+CMTI: "SM",1']


@pytest.mark.parametrize(("command", "waiting"), [("AT+CNMA=0", 0), ("AT+CNMA=1", 0), ("AT+CNMA=2", 0)])
def test_octets_are_acknowledged_or_refused_by_number(client: Make, command: str, waiting: int) -> None:
    here = client()
    here("AT+CSMS=1;+CNMI=2,2")
    here.model.service_centre.bring(text="a")
    here.later(10)

    assert here(command) == ["OK"]
    assert here.later(200) == []
    assert here.model.service_centre.waiting == waiting


def test_an_acknowledgement_can_have_octets_of_its_own(client: Make) -> None:
    here = client()
    here("AT+CSMS=1;+CNMI=2,2")
    here.model.service_centre.bring(text="a")
    here.later(10)

    assert here("AT+CNMA=1,3\r0000\x1a") == ["> ", "+CMS ERROR: 304"]
    assert here("AT+CNMA=1,3\r00zz00\x1a") == ["> ", "+CMS ERROR: 304"]
    assert here("AT+CNMA=1,3\r000000\x1b") == ["> ", "OK"]
    assert here("AT+CNMA=1,2\r0000\x1a") == ["> ", "OK"]
    assert here.model.service_centre.waiting == 0 or here.later(5) == []


# -- errors from their causes --------------------------------------------------------------


@pytest.mark.parametrize(
    ("overrides", "error"),
    [
        ({"card": {"pin_tries": 0}}, 316),
        ({"card": {"pin_tries": 0, "puk_tries": 0}}, 313),
        ({}, 311),
    ],
)
@pytest.mark.parametrize(
    "line", ["+CPMS?", "+CSCA?", "+CMGL", "+CMGR=1", "+CMGD=1", '+CMGS="1"', "+CMSS=1", "+CMGW", "+CMGC=2,0"]
)
def test_a_card_that_cannot_be_used_fails_every_command_with_its_code(
    converse: Make, overrides: dict[str, Any], error: int, line: str
) -> None:
    here = converse(**overrides)
    here("AT+CMGF=1")

    assert here(f"AT{line}") == [f"+CMS ERROR: {error}"]


def test_no_service_no_centre_and_a_refusal_each_have_their_code(client: Make) -> None:
    here = client(service_centre={"refuses": 21})
    here("AT+CMGF=1")
    send = f'AT+CMGS="{OTHER}"\rx\x1a'
    assert here(send) + here.later(10) == ["> ", "+CMS ERROR: 21"]
    here('AT+CSCA=""')
    assert here(send) == ["> ", "+CMS ERROR: 330"]
    here('AT+CSCA="+447700900000"')
    here.model.air.move(present=False)
    here.later(1)

    assert here(send) == ["> ", "+CMS ERROR: 331"]


def test_a_network_that_does_not_answer_is_given_up_after_40_s(client: Make) -> None:
    here = client(service_centre={"answer_s": 100.0})
    here("AT+CMGF=1")
    here(f'AT+CMGS="{OTHER}"\rx\x1a')
    assert here.later(39) == []

    assert here.later(5) == ["+CMS ERROR: 332"]


def test_errors_are_numbers_or_words(client: Make) -> None:
    here = client()
    assert here("AT+CMGR=1") == ["+CMS ERROR: 321"]
    here("AT+CMEE=2")
    assert here("AT+CMGR=1") == ["+CMS ERROR: invalid memory index"]
    here("ATQ1")

    assert here("AT+CMGR=1") == []


def test_a_store_command_without_its_status_or_with_a_wrong_one(client: Make) -> None:
    here = client()
    assert here("AT+CMGL=5") == ["+CMS ERROR: 304"]
    assert here('AT+CMGL="ALL"') == ["+CMS ERROR: 304"]
    assert here("AT+CMGW") == ["ERROR"]
    assert here("AT+CMGW=20,9") == ["+CMS ERROR: 304"]
    here("AT+CMGF=1")
    assert here("AT+CMGL=4") == ["+CMS ERROR: 305"]
    assert here('AT+CMGW="1",145,"GONE"') == ["+CMS ERROR: 305"]

    assert here("AT+CMGL=?") == [
        '+CMGL: ("REC UNREAD","REC READ","STO UNSENT","STO SENT","ALL")',
        "OK",
    ]


def test_only_what_was_to_be_sent_can_be_sent_from_store(client: Make) -> None:
    here = client()
    here.model.service_centre.bring(text="a")
    here.later(10)

    assert here("AT+CMSS=1") == ["+CMS ERROR: 302"]


def test_a_text_that_looks_like_a_result_is_a_text(client: Make) -> None:
    here = client()
    here("AT+CMGF=1")
    here.model.service_centre.bring(text="+CREG: 0", sender="+4477")
    here.later(10)

    assert here("AT+CMGR=1")[1:] == ["+CREG: 0", "OK"]


def test_what_was_saved_is_restored(client: Make) -> None:
    here = client()
    here("AT+CSMP=49,0,1,4;+CSAS")
    here('AT+CSMP=17,167,0,0;+CSCA="+447700900001"')
    here("AT+CRES")

    assert here("AT+CSMP?;+CSCA?") == ["+CSMP: 49,0,1,4", '+CSCA: "+447700900000",145', "OK"]


def test_indicators_tell_of_unread_messages_and_of_a_full_store(client: Make) -> None:
    # TS 27.007 8.9, from memory: "message" and "smsfull", the fourth and fifth here.
    here = client(card={"messages": 2})
    here("AT+CNMI=0,0;+CMER=3,0,0,2")
    here.model.service_centre.bring(text="a")
    assert here.later(20) == ["+CIEV: 4,1"]
    here.model.service_centre.bring(text="b")
    assert here.later(20) == ["+CIEV: 5,1"]
    assert here("AT+CIND?") == ["+CIND: 4,1,0,1,1", "OK"]
    assert here("AT+CMGL=4")[-2:] == ["OK", "+CIEV: 4,0"]

    assert here("AT+CMGD=1") == ["OK", "+CIEV: 5,0"]
