"""The serial interface: rate, framing, echo, training, rest and flow control, as the profile says."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from hil.modem import Modem

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.bench.interface import Bench, Port
    from hil.measure import Measure

pytestmark = pytest.mark.needs("header:power_key", "port:at", "port:uart")

_RATES = (9600, 19200, 57600, 115200)
_SILENCE_S = 0.5
# Of the stop bits' end against the profile's rate: both ends' clocks may be off by 2 % each.
_TOLERANCE = 0.04


@pytest.fixture
def uart(modem_ready: Modem, bench: Bench) -> Iterator[Modem]:
    """The modem, ready, spoken to on its serial interface."""
    del modem_ready
    found = Modem(bench, role="uart")
    yield found
    found.close()


def _open(bench: Bench, *, baud: int | None = None, framing: str = "8N1") -> Port:
    """The port, when what was still on the wire has come."""
    port = bench.ports.open("uart", baud=baud, framing=framing)
    while port.read(timeout_s=0.05):
        pass
    return port


def _ask(port: Port, text: bytes = b"AT\r") -> bytes:
    """What comes back within half a second."""
    port.discard_input()
    port.write(text)
    heard = b""
    while data := port.read(timeout_s=_SILENCE_S):
        heard += data
    return heard


def _restart(modem: Modem, bench: Bench) -> None:
    """A fresh boot, so that a module with autobaud trains anew."""
    modem.make_off()
    modem.start()
    bench.clock.wait(1.0)


def test_it_answers_at_the_profile_s_rate_and_framing(uart: Modem, bench: Bench) -> None:
    assert uart.wake(times=1 + bench.profile.uart.training_lines) == 1 + bench.profile.uart.training_lines


@pytest.mark.parametrize("baud", _RATES)
def test_it_answers_at_another_rate_only_where_it_can_learn_it(
    modem_ready: Modem, bench: Bench, baud: int
) -> None:
    settings = bench.profile.uart
    if settings.autobaud:
        _restart(modem_ready, bench)
    port = _open(bench, baud=baud)
    for _ in range(settings.training_lines):
        _ask(port)
    answers = b"OK" in _ask(port)
    port.close()

    assert answers is (settings.autobaud or baud == settings.baud)


def test_training_takes_as_many_lines_as_the_profile_says(uart: Modem, bench: Bench) -> None:
    if not bench.profile.uart.autobaud:
        pytest.skip(f"{bench.profile.name} has no autobaud")
    lines = bench.profile.uart.training_lines

    assert uart.wake(times=10) == lines + 1


def test_with_another_parity_it_does_not_answer(modem_ready: Modem, bench: Bench) -> None:
    del modem_ready
    framing = "8E1" if bench.profile.uart.framing != "8E1" else "8N1"
    port = _open(bench, framing=framing)
    heard = [_ask(port) for _ in range(3)]
    port.close()

    assert not any(b"OK" in one for one in heard)


def test_the_echo_is_as_the_profile_says_until_it_is_set(uart: Modem, bench: Bench) -> None:
    uart.wake()
    uart.close()
    port = _open(bench)
    answer, echo = b"\r\nOK\r\n", b"AT\r"
    unset = _ask(port)
    _ask(port, b"ATE0\r")
    off = _ask(port)
    _ask(port, b"ATE1\r")
    on = _ask(port)
    port.close()

    assert unset == (echo if bench.profile.at.echo else b"") + answer
    assert (off, on) == (answer, echo + answer)


def test_a_character_takes_the_time_that_its_bits_take(uart: Modem, bench: Bench, measure: Measure) -> None:
    uart.wake()
    uart.command("ATE0")
    uart.close()
    port = _open(bench)
    # Lines without AT are ignored; the reply to +CGMM can begin only when the last character has come.
    many = (b"x" * 499 + b"\r") * 10 + b"AT+CGMM\r"
    count = len(many)
    began_s = bench.clock.now_s()
    port.write(many)
    port.read(timeout_s=2 * count * 10 / bench.profile.uart.baud)
    ended_s = bench.clock.now_s()
    port.close()
    settings = bench.profile.uart
    expected_s = (count + 1) * 10 / settings.baud

    reply_s = bench.profile.delays.reply_s
    low_s = expected_s * (1 - _TOLERANCE) + reply_s.min
    high_s = expected_s * (1 + _TOLERANCE) + reply_s.max
    measure(f"{count + 1} characters", ended_s - began_s, "s", low=low_s, high=high_s, ended_s=ended_s)


def test_hundreds_of_commands_are_all_answered(uart: Modem) -> None:
    uart.wake()

    for _ in range(300):
        assert uart.command("AT+CGMM").is_ok


def test_after_a_rest_it_wakes_with_the_second_command_at_the_latest(uart: Modem, bench: Bench) -> None:
    extensions = bench.profile.extensions
    rest = next((name for name, one in extensions.commands.items() if one.effect == "rest"), None)
    if rest is None:
        pytest.skip(f"{bench.profile.name} has no command to rest")
    uart.wake()
    uart.command(f"AT{extensions.prefix}{rest}=2")
    bench.clock.wait(4)

    # Bytes that were lost show as silence: wake repeats AT until it is answered.
    assert uart.wake() <= 2  # the one that wakes, and the one that is answered


@pytest.mark.needs("flow-control")
def test_with_flow_control_a_flood_during_a_long_command_loses_nothing(
    modem_ready: Modem, bench: Bench
) -> None:
    del modem_ready
    settings = bench.profile.uart
    port = _open(bench, baud=max(_RATES) if settings.autobaud else settings.baud)
    for _ in range(settings.training_lines):
        _ask(port)
    _ask(port, b"ATE0\r")
    port.set_line(rtscts=True)
    count = 2000
    port.write(b"AT+CFUN=4\r" + b"AT\r" * count)
    heard = b""
    while data := port.read(timeout_s=10):
        heard += data
    port.close()

    assert heard.count(b"OK") == count + 1


@pytest.mark.needs("flow-control")
def test_while_the_host_takes_nothing_the_module_says_nothing(uart: Modem, bench: Bench) -> None:
    uart.wake()
    uart.command("ATE0")
    uart.close()
    port = _open(bench)
    port.set_lines(rts=False)
    held = _ask(port)
    port.set_lines(rts=True)
    then = port.read(timeout_s=1)
    port.close()

    assert (held, bool(then)) == (b"", True)


def test_two_interfaces_at_once_have_settings_and_answers_of_their_own(
    modem_ready: Modem, uart: Modem
) -> None:
    modem_ready.command("ATE1")
    uart.wake()
    uart.command("ATE0")
    uart.command("AT+CMEE=2")
    modem_ready.command("AT+CMEE=1")

    assert uart.command("AT+CMEE?").value("+CMEE") == "2"
    assert modem_ready.command("AT+CMEE?").value("+CMEE") == "1"


def test_a_break_does_not_stop_it_from_answering(uart: Modem, bench: Bench) -> None:
    uart.wake()
    uart.close()
    port = _open(bench)
    port.send_break(0.25)
    heard = [_ask(port) for _ in range(2)]
    port.close()

    assert b"OK" in heard[-1]
