"""The command language of an instrument, and the bench's instruments behind it."""

from __future__ import annotations

import socket
from collections.abc import Callable, Iterator

import pytest

from simulator.edges.descriptors import Descriptors
from simulator.edges.instruments import Instruments, language
from simulator.edges.listening import Listening
from simulator.edges.scpi import Language
from simulator.model import Model

Build = Callable[..., Model]


@pytest.fixture
def model(build: Build) -> Model:
    return build(start={"module": "ready"})


@pytest.fixture
def spoken(model: Model) -> Language:
    return language(model, lambda: None)


@pytest.mark.parametrize(
    "header",
    ["VOLT", "volt", "VOLTage", "SOUR:VOLT", "source:voltage:level:immediate:amplitude", ":SOUR:VOLT:LEV"],
)
def test_a_header_counts_in_long_and_short_form_with_and_without_what_may_be_left_out(
    spoken: Language, model: Model, header: str
) -> None:
    # SCPI-1999 volume 1, 6.2.1.
    spoken.line(f"{header} 6.5")

    assert model.supply.volts == 6.5
    assert spoken.line(f"{header}?") == "6.5000"


@pytest.mark.parametrize("header", ["VOLTA", "VOL", "SOUR:OUTP", "LEV", "VOLT:AMPL:LEV"])
def test_anything_else_is_an_undefined_header(spoken: Language, header: str) -> None:
    assert spoken.line(f"{header} 6.5") is None
    assert spoken.line("SYST:ERR?") == '-113,"Undefined header"'
    assert spoken.line("SYST:ERR?") == '0,"No error"'


def test_a_unit_after_a_semicolon_goes_on_on_its_level(spoken: Language, model: Model) -> None:
    # SCPI-1999 volume 1, 6.2.4.
    answer = spoken.line("SOUR:VOLT 5.5;CURR 2;VOLT?;:OUTP?;*IDN?")

    assert (model.supply.volts, model.supply.limit_a) == (5.5, 2.0)
    assert answer == "5.5000;1;Ashbeck Instruments,simulated bench,0,1.0"


@pytest.mark.parametrize(
    ("line", "error"),
    [
        ("VOLT 61", '-222,"Data out of range"'),
        ("VOLT -1", '-222,"Data out of range"'),
        ("CURR 0", '-222,"Data out of range"'),
        ("VOLT five", '-120,"Numeric data error"'),
        ("VOLT", '-109,"Missing parameter"'),
        ("OUTP MAYBE", '-120,"Numeric data error"'),
    ],
)
def test_a_setting_that_cannot_be_is_an_error_and_changes_nothing(
    spoken: Language, model: Model, line: str, error: str
) -> None:
    spoken.line(line)

    assert spoken.line("SYSTem:ERRor:NEXT?") == error
    assert (model.supply.volts, model.supply.is_on) == (5.0, True)


def test_the_queue_of_errors_is_bounded_and_says_that_it_was_full(spoken: Language) -> None:
    for _ in range(30):
        spoken.line("NOSUCH")
    told = [spoken.line("SYST:ERR?") for _ in range(21)]

    assert told[-2:] == ['-350,"Queue overflow"', '0,"No error"']


def test_clearing_empties_the_queue(spoken: Language) -> None:
    spoken.line("NOSUCH")
    spoken.line("*CLS")

    assert spoken.line("SYST:ERR?") == '0,"No error"'


def test_the_supply_is_cut_and_the_rail_falls(spoken: Language, model: Model) -> None:
    before = float(spoken.line("MEAS:VOLT:DC?") or "nan")
    drawn = float(spoken.line("MEAS:CURR?") or "nan")
    spoken.line("OUTP OFF")
    model.timeline.run_until(model.timeline.now_ns + 10**9)

    assert before == pytest.approx(3.9, abs=0.05)
    assert drawn == pytest.approx(model.module.profile.currents.idle_usb_a)
    assert float(spoken.line("MEAS:VOLT?") or "nan") == 0
    assert float(spoken.line("MEAS:VOLT:DC?") or "nan") < 0.5
    assert float(spoken.line("MEAS:CURR?") or "nan") == 0
    assert model.module.power.state.value == "no supply"


def test_the_attenuator_lowers_the_level(spoken: Language, model: Model) -> None:
    spoken.line("INP:ATT 20 dB")

    assert model.registration.level_dbm == -115
    assert spoken.line("INPUT:ATTENUATION?") == "20.00"


@pytest.fixture
def listening(spoken: Language) -> Iterator[tuple[Instruments, Descriptors]]:
    descriptors = Descriptors()
    instruments = Instruments(spoken, listening=Listening(), descriptors=descriptors)
    yield instruments, descriptors
    instruments.close()
    descriptors.close()


def test_lines_in_pieces_from_several_clients_do_not_mix(
    listening: tuple[Instruments, Descriptors],
) -> None:
    instruments, descriptors = listening
    _, address, port, _ = instruments.resource.split("::")
    with (
        socket.create_connection((address, int(port))) as one,
        socket.create_connection((address, int(port))) as other,
    ):
        for client, piece in ((one, b"OUT"), (other, b"VOL"), (one, b"P?\n"), (other, b"T?\r\n")):
            client.sendall(piece)
            descriptors.handle(descriptors.wait(0.05))
        one.settimeout(2)
        other.settimeout(2)
        heard = one.recv(100), other.recv(100)

    assert heard == (b"1\n", b"5.0000\n")


def test_a_line_without_end_is_hung_up_on(listening: tuple[Instruments, Descriptors]) -> None:
    instruments, descriptors = listening
    _, address, port, _ = instruments.resource.split("::")
    with socket.create_connection((address, int(port))) as client:
        client.sendall(b"V" * 5000)
        for _ in range(4):
            descriptors.handle(descriptors.wait(0.02))
        client.settimeout(2)
        try:
            heard = client.recv(10)
        except ConnectionResetError:  # it had more to say than was read
            heard = b""

    assert heard == b""
