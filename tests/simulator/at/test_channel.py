"""Whole dialogues on one port, byte for byte."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.module.framing import LineSettings
from simulator.module.spread import Spread

Build = Callable[..., Model]


class Talk:
    """A client on one port of a ready module."""

    def __init__(self, model: Model, role: str = "at") -> None:
        self.model = model
        self.edges = MemoryEdges(model)
        self.port = model.module.ports[role]
        self.port.client_opened()
        self.role = role
        if role == "uart":
            self.port.settings(LineSettings(115200))

    def __call__(self, data: bytes) -> bytes:
        self.port.receive(data)
        # On a USB port the reply is there at once; on the UART its characters take their time.
        return self.later(0.1) if self.role == "uart" else self.heard()

    def heard(self) -> bytes:
        return self.edges.by_role[self.role].take(1_000_000)

    def later(self, seconds: float) -> bytes:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        return self.heard()


@pytest.fixture
def talk(build: Build) -> Talk:
    """The AT port of `tarn-l4`, echo on as it comes."""
    return Talk(build(start={"module": "ready"}))


@pytest.fixture
def quiet(talk: Talk) -> Talk:
    """The same without echo."""
    talk(b"ATE0\r")
    return talk


def test_the_echo_is_exactly_what_was_sent_and_ends_with_the_command_that_ends_it(talk: Talk) -> None:
    assert talk(b"at i\x00\x08\r")[:8] == b"at i\x00\x08\r\r"
    assert talk(b"ATE0\r") == b"ATE0\r\r\nOK\r\n"
    assert talk(b"AT\r") == b"\r\nOK\r\n"


def test_two_lines_in_one_chunk_are_answered_each(quiet: Talk) -> None:
    assert quiet(b"AT\rAT\r") == b"\r\nOK\r\n" * 2


def test_a_line_in_pieces_is_echoed_in_pieces(talk: Talk) -> None:
    assert [talk(b"A"), talk(b"T"), talk(b"\r")] == [b"A", b"T", b"\r\r\nOK\r\n"]


def test_an_unknown_command_ends_its_line_and_what_stood_before_it_is_done(talk: Talk) -> None:
    assert talk(b"ATE0+NOSUCH;+CSQ\r") == b"ATE0+NOSUCH;+CSQ\r\r\nERROR\r\n"
    assert talk(b"AT\r") == b"\r\nOK\r\n"


def test_one_line_has_one_final_result(quiet: Talk) -> None:
    assert quiet(b"AT+CGMR;+CSQ\r") == b"\r\nTL4-1.4.2\r\n\r\n+CSQ: 22,99\r\n\r\nOK\r\n"


def test_a_slash_repeats_the_last_line(quiet: Talk) -> None:
    first = quiet(b"AT+CGMR\r")

    assert quiet(b"A/") == first
    assert quiet(b"a/") == first


def test_a_slash_before_any_line_is_an_empty_line(build: Build) -> None:
    assert Talk(build(start={"module": "ready"}))(b"A/") == b"A/\r\nOK\r\n"


def test_a_line_past_the_limit_is_one_error(quiet: Talk) -> None:
    assert quiet(b"AT" + b"1" * 1025 + b"\r") == b"\r\nERROR\r\n"
    assert quiet(b"AT\r") == b"\r\nOK\r\n"


def test_a_line_of_a_million_characters_is_one_error_and_costs_no_memory(quiet: Talk) -> None:
    quiet(b"AT+CMEE=1\r")
    for _ in range(250):
        quiet(b"AT+CMEE=2;" + b"E0" * 1995)
        assert len(quiet.model.at.channels["at"]._reader._body) <= 1024
    heard = quiet(b"\r") + quiet.later(0.1)

    assert heard == b"\r\nERROR\r\n"
    assert quiet(b"AT+CMEE?\r") == b"\r\n+CMEE: 1\r\n\r\nOK\r\n"


def test_a_changed_terminator_counts_from_the_result_of_its_own_line_on(quiet: Talk) -> None:
    # V.250 6.2.1: the result code of the line that changes S3 already uses the new value.
    assert quiet(b"ATS3=33\r") == b"!\nOK!\n"
    assert quiet(b"AT!") == b"!\nOK!\n"
    assert quiet(b"ATS3=13!") == b"\r\nOK\r\n"


def test_z_and_f_bring_the_defaults_back(quiet: Talk) -> None:
    quiet(b"ATV0+CMEE=2\r")

    assert quiet(b"ATZ\r") == b"\r\nOK\r\n"
    assert quiet(b"AT+CMEE?\r") == b"AT+CMEE?\r\r\n+CMEE: 0\r\n\r\nOK\r\n"
    quiet(b"ATE0V0\r")
    assert quiet(b"AT&F\r") == b"\r\nOK\r\n"


def test_each_port_has_settings_of_its_own(build: Build) -> None:
    model = build(start={"module": "ready"})
    at, uart = Talk(model), Talk(model, "uart")
    at.edges = uart.edges
    at(b"ATE0V0\r")

    assert at(b"AT\r") == b"0\r"
    assert uart(b"AT\r") == b"AT\r\r\nOK\r\n"


def test_a_command_that_takes_time_answers_later_and_what_comes_meanwhile_waits(quiet: Talk) -> None:
    assert quiet(b"AT+CFUN=4\rAT+CFUN?\r") == b""
    assert quiet(b"AT\r") == b""
    assert quiet.later(2) == b"\r\nOK\r\n\r\n+CFUN: 4\r\n\r\nOK\r\n\r\nOK\r\n"


def test_what_comes_during_a_command_is_bounded(quiet: Talk) -> None:
    quiet(b"AT+CFUN=4\r")
    quiet(b"A" * 1_000_000)

    assert len(quiet.model.at.channels["at"]._backlog) <= 4096


def test_unsolicited_lines_wait_for_the_end_of_a_command_where_the_profile_holds_them(quiet: Talk) -> None:
    quiet(b'AT+CREG=1;+CPIN="1234"\r')
    quiet.later(30)
    quiet(b"AT+CFUN=4\r")
    quiet.model.air.move(present=False)

    heard = quiet.later(2)
    assert heard.startswith(b"\r\nOK\r\n")
    assert b"\r\n+CREG: 2\r\n" in heard


def test_a_reply_delay_of_the_profile_delays_the_answer_but_not_the_echo(
    describe: Callable[..., Any],
) -> None:
    source = describe(start={"module": "ready"}).settings
    delays = source.profile.delays.model_copy(update={"reply_s": Spread(typ=0.02, min=0.02, max=0.02)})
    profile = source.profile.model_copy(update={"delays": delays})
    model = Model(source.model_copy(update={"profile": profile}))
    model.start()
    slow = Talk(model)

    assert slow(b"AT\r") == b"AT\r"
    assert slow.later(0.0199) == b""
    assert slow.later(0.0001) == b"\r\nOK\r\n"


def test_boot_and_farewell_lines_come_where_the_port_is_open(build: Build) -> None:
    model = build()
    uart = Talk(model, "uart")
    model.module.power.start("test")
    booted = uart.later(20)
    model.module.power.stop("test")
    stopped = uart.later(10)

    assert (booted, stopped) == (b"\r\nTARN READY\r\n", b"\r\nTARN STOPPED\r\n")


def test_a_module_that_stops_answers_no_more(quiet: Talk) -> None:
    quiet.model.module.power.stop("test")

    assert quiet(b"AT\r") == b""


def test_a_supply_that_goes_in_the_middle_of_a_command_leaves_nothing_behind(quiet: Talk) -> None:
    quiet(b"AT+CFUN=4\r")
    quiet.model.supply.turn(on=False)
    gone = quiet.later(2)
    quiet.model.supply.turn(on=True)

    assert (gone, quiet.later(60)) == (b"", b"")


def test_a_restart_by_command_answers_first(quiet: Talk) -> None:
    assert quiet(b"AT+CFUN=1,1\r") == b""  # the port has vanished with what nobody had read
    states = [event.more.get("to") for event in quiet.model.recorder.take() if event.lane == "module/power"]
    assert states[-1] == "booting"


def test_a_fresh_boot_begins_with_fresh_settings(build: Build) -> None:
    model = build(start={"module": "ready"})
    uart = Talk(model, "uart")
    uart(b"ATE0\r")
    model.module.power.restart("test")
    uart.later(20)

    assert uart(b"AT\r") == b"AT\r\r\nOK\r\n"


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(data=st.data())
def test_random_bytes_never_break_the_interface(build: Build, data: st.DataObject) -> None:
    noise = Talk(build(start={"module": "ready"}))
    for chunk in data.draw(st.lists(st.binary(max_size=200), max_size=8)):
        noise(chunk)
    # Whatever was left pending, a few line ends in each notation bring the reader back.
    noise.later(10)
    terminator = (
        bytes([noise.model.at.channels["at"].session.registers[3]]) if noise.model.at.channels else b"\r"
    )
    noise(terminator + b"\r")
    noise.later(10)

    assert noise.model.module.power.state.value in ("ready", "booting", "stopping")


LINES = st.lists(
    st.sampled_from(
        [
            "AT",
            "ATE0",
            "ATE1",
            "ATI",
            "AT+CSQ",
            "AT+CMEE=1",
            "AT+CMEE=2",
            "AT+CPIN?",
            'AT+CPIN="0000"',
            "AT+X",
            "AT+CREG?",
            "AT+CFUN?",
            "AT+CCLK?",
            "AT*HEAT?",
            "AT*REST=5",
            "ATS3?",
            "AT+CMEE=7",
            "ATE0+CSQ;+CREG=9",
        ]
    ),
    max_size=12,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(lines=LINES)
def test_every_line_ends_with_exactly_one_final_result(build: Build, lines: list[str]) -> None:
    client = Talk(build(start={"module": "ready"}))
    for line in lines:
        heard = client(line.encode() + b"\r").removeprefix(line.encode() + b"\r")
        parts = [part for part in heard.split(b"\r\n") if part]
        finals = [part for part in parts if part in (b"OK", b"ERROR") or part.startswith(b"+CME ERROR")]

        assert len(finals) == 1
        assert parts[-1] == finals[0]
