"""The serial interface of a ready module: what arrives at either end, and when."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from simulator.edges.memory import MemoryEdge
from simulator.kernel.timeline import ns
from simulator.module.framing import LineSettings

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model

    Build = Callable[..., Model]

CHARACTER_NS = 86_806  # ten bits at 115200


class Host:
    """A client on the UART of a ready module."""

    def __init__(self, model: Model, settings: str = "115200 8N1", *, rtscts: bool = False) -> None:
        baud, framing = settings.split()
        assert model.module.serial is not None
        self.model, self.serial = model, model.module.serial
        self.port = self.serial.port
        self.edge = MemoryEdge()
        self.port.edge = self.edge
        self.port.client_opened()
        self.port.settings(LineSettings.of(int(baud), framing), rtscts=rtscts)
        self.at_module = bytearray()

    def taps(self) -> None:
        """Keep what the module gets, instead of having it answered."""
        self.port.on_receive = self.at_module.extend

    def sends(self, data: bytes, *, then_s: float = 0.5) -> bytes:
        self.port.receive(data)
        return self.hears(then_s)

    def hears(self, seconds: float) -> bytes:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        return self.edge.take(100_000)

    def events(self, what: str) -> list[tuple[int, dict[str, object]]]:
        return [
            (event.t_ns, dict(event.more))
            for event in self.model.recorder.take()
            if event.lane == "port/uart" and event.what == what
        ]


@pytest.fixture
def host(build: Build) -> Host:
    """A client with the module's own settings."""
    return Host(build(start={"module": "ready"}))


def upper(build: Build, settings: str) -> Host:
    """A client of the module with autobaud."""
    return Host(build("upper-station", start={"module": "ready"}), settings)


def test_each_character_is_answered_when_it_has_come_whole(host: Host) -> None:
    host.sends(b"ATE0\r")
    host.model.recorder.take()
    began_ns = host.model.timeline.now_ns
    host.sends(b"AT\r")

    events = host.model.recorder.take()
    assert [(event.t_ns - began_ns, event.what, event.more["text"]) for event in events] == [
        (3 * CHARACTER_NS, "to_module", "AT\r"),
        (9 * CHARACTER_NS, "from_module", "\r\nOK\r\n"),
    ]
    assert [int(event.more["since_ns"] or 0) - began_ns for event in events] == [
        CHARACTER_NS,
        4 * CHARACTER_NS,
    ]


def test_an_echo_is_one_character_behind_and_goes_on_without_a_pause(host: Host) -> None:
    host.model.recorder.take()
    began_ns = host.model.timeline.now_ns
    host.sends(b"AT\r")

    heard = [(t_ns - began_ns, more["text"]) for t_ns, more in host.events("from_module")]
    assert heard == [((3 + 1 + 6) * CHARACTER_NS, "AT\r\r\nOK\r\n")]


@pytest.mark.parametrize("settings", ["9600 8N1", "57600 8N1", "115200 8E1"])
def test_a_host_with_other_settings_is_not_answered(build: Build, settings: str) -> None:
    heard = Host(build(start={"module": "ready"}), settings).sends(b"AT\r")

    assert b"OK" not in heard


def test_seven_bits_with_parity_are_understood_because_commands_have_seven_bits(build: Build) -> None:
    # V.250 5.1: the eighth bit of a command's characters is ignored; the host sees parity errors only.
    assert b"OK" in Host(build(start={"module": "ready"}), "115200 7E1").sends(b"AT\r")


def test_the_recording_tells_what_a_mismatched_receiver_saw(build: Build) -> None:
    host = Host(build(start={"module": "ready"}), "57600 8N1")
    host.taps()
    host.sends(b"A")

    # Half the module's rate: see tests/simulator/module/test_framing.py for the bits of 'A'.
    assert bytes(host.at_module) == b"\x06\xfe"
    ((_, more),) = host.events("to_module")
    assert (more["text"], more["framing_errors"]) == ("\x06\xfe", 1)


def test_two_hundred_and_fifty_six_bytes_take_their_exact_time(host: Host) -> None:
    host.taps()
    began_ns = host.model.timeline.now_ns
    host.port.receive(bytes(range(256)))
    host.model.timeline.run_until(began_ns + 256 * CHARACTER_NS - 1)
    before = len(host.at_module)
    host.model.timeline.run_until(began_ns + 256 * CHARACTER_NS)

    assert (before, bytes(host.at_module)) == (255, bytes(range(256)))


@pytest.mark.parametrize("baud", [300, 1200, 9600, 57600, 115200, 921600])
@pytest.mark.parametrize("first", [b"AT", b"at"])
def test_autobaud_takes_the_rate_of_the_first_at(build: Build, baud: int, first: bytes) -> None:
    host = upper(build, f"{baud} 8N1")

    # The line that trains is not answered; from then on all is.
    assert host.sends(first + b"\r", then_s=1) == b""
    assert host.serial.module.baud == baud
    assert host.sends(b"AT\r", then_s=1) == b"\r\nOK\r\n"


@pytest.mark.parametrize("noise", [b"XY\r", b"\r", b"OK\r", b"TA\r", b"ABC\r"])
def test_what_is_not_at_trains_nothing(build: Build, noise: bytes) -> None:
    host = upper(build, "115200 8N1")

    heard = host.sends(noise)
    trained = [host.serial.is_trained]
    host.sends(b"AT\r")
    trained.append(host.serial.is_trained)

    assert (heard, trained) == (b"", [False, True])


def test_before_training_the_module_speaks_at_its_first_rate(build: Build) -> None:
    host = Host(build("upper-station"), "9600 8N1")
    host.model.module.power.start("test")

    assert b"FELL READY" in host.hears(20)


def test_a_restart_trains_anew(build: Build) -> None:
    host = upper(build, "115200 8N1")
    host.sends(b"AT\r")
    host.model.module.power.restart("test")
    host.hears(20)

    assert not host.serial.is_trained


def test_a_rate_set_by_command_begins_after_the_result(build: Build) -> None:
    host = Host(build(start={"module": "ready"}))
    host.sends(b"ATE0\r")
    host.port.receive(b"AT\r")
    host.model.timeline.run_until(host.model.timeline.now_ns + 3 * CHARACTER_NS)
    host.serial.set_rate(9600)
    result = host.hears(0.5)
    deaf = host.sends(b"AT\r")
    host.port.settings(LineSettings(9600))

    assert result == b"\r\nOK\r\n"
    assert b"OK" not in deaf
    assert host.sends(b"AT\r") == b"\r\nOK\r\n"


def test_a_resting_interface_loses_the_character_that_wakes_it(host: Host) -> None:
    host.sends(b"ATE0\r")
    host.sends(b"AT*REST=2\r")
    host.hears(3)
    rests = [host.serial.is_resting]
    # Only "T" and the end of the line arrive: no command, so no answer.
    first = host.sends(b"AT\r")
    rests.append(host.serial.is_resting)

    assert (rests, first) == ([True, False], b"")
    assert host.sends(b"AT\r") == b"\r\nOK\r\n"
    lost = [more["text"] for _, more in host.events("lost")]
    assert lost == ["A"]


def test_characters_while_it_wakes_are_lost_with_the_first(build: Build) -> None:
    host = upper(build, "115200 8N1")
    host.sends(b"AT\r")
    host.sends(b"AT$REST=2\r")
    host.hears(3)
    host.model.recorder.take()
    host.sends(b"AT" * 100 + b"\r")  # 201 characters take 17 ms, and it wakes within 10 ms

    lost = "".join(str(more["text"]) for _, more in host.events("lost"))
    assert len(lost) == 1 + ns(0.01) // CHARACTER_NS + 1


def test_traffic_keeps_it_awake(host: Host) -> None:
    host.sends(b"AT*REST=2\r")
    for _ in range(5):
        host.sends(b"AT\r", then_s=1.9)

    assert not host.serial.is_resting


def test_what_the_module_says_by_itself_wakes_it_without_loss(host: Host) -> None:
    host.sends(b"AT*REST=2\r")
    host.hears(3)
    host.port.send(b"\r\n+CREG: 1\r\n")

    assert host.hears(0.1) == b"\r\n+CREG: 1\r\n"


def test_noise_alters_bits_at_about_its_rate_and_equally_in_equal_runs(build: Build) -> None:
    def run() -> tuple[bytes, int]:
        host = Host(build(start={"module": "ready"}))
        host.taps()
        host.serial.to_module.noise = 0.001
        host.sends(b"U" * 10_000, then_s=2)
        return bytes(host.at_module), sum(byte != 0x55 for byte in host.at_module)

    first, altered = run()

    # Ten bits each: about 100 characters are hit; a hit start bit moves the next few.
    assert 50 < altered < 250
    assert run() == (first, altered)


def test_with_flow_control_nothing_is_sent_while_cts_is_down(build: Build) -> None:
    host = upper(build, "115200 8N1")
    host.port.settings(LineSettings(115200), rtscts=True)
    host.sends(b"AT\r")
    host.port.congest(on=True)
    stuck = host.sends(b"AT\r", then_s=60)
    host.port.congest(on=False)

    assert (stuck, host.hears(0.1)) == (b"", b"\r\nOK\r\n")


def test_a_flood_during_a_long_command_loses_nothing_with_flow_control_and_something_without(
    build: Build,
) -> None:
    def lines_answered(*, rtscts: bool) -> int:
        host = upper(build, "115200 8N1")
        host.port.settings(LineSettings(115200), rtscts=rtscts)
        host.sends(b"AT\r")
        host.sends(b"AT+CFUN=4\r" + b"AT\r" * 3000, then_s=30)
        return sum(str(more["text"]).count("OK") for _, more in host.events("from_module"))

    assert lines_answered(rtscts=True) == 3001
    assert 1000 < lines_answered(rtscts=False) < 3001


def test_while_the_host_takes_nothing_the_module_keeps_what_it_has_to_say(build: Build) -> None:
    host = upper(build, "115200 8N1")
    host.sends(b"AT\r")
    host.port.set_lines(rts=False)
    held = host.sends(b"AT\r", then_s=60)
    host.port.set_lines(rts=True)

    assert (held, host.hears(0.1)) == (b"", b"\r\nOK\r\n")


def test_a_host_that_waits_for_a_cts_that_is_not_wired_waits_for_ever(build: Build) -> None:
    host = Host(build(start={"module": "ready"}), rtscts=True)
    host.taps()

    host.sends(b"AT\r", then_s=600)
    waits = bytes(host.at_module)
    host.port.settings(LineSettings(115200))  # without flow control all is well

    host.hears(1)
    assert (waits, bytes(host.at_module)) == (b"", b"AT\r")


def test_a_break_arrives_as_one_nul_and_what_was_sent_waits_for_its_end(host: Host) -> None:
    host.taps()
    host.port.set_break(True)
    host.sends(b"AT\r", then_s=0.25)
    during = bytes(host.at_module)
    host.port.set_break(False)
    host.hears(0.1)

    assert (during, bytes(host.at_module)) == (b"\0", b"\0AT\r")


def test_losing_power_cuts_what_the_module_was_sending(host: Host) -> None:
    host.port.receive(b"AT+CGMR\r")
    host.model.timeline.run_until(host.model.timeline.now_ns + 12 * CHARACTER_NS)
    host.serial.off()

    assert host.hears(1) == b"AT+CGMR\r\r\nT"[:11]


def test_whoever_opens_the_port_in_the_middle_of_a_line_hears_the_rest_of_it(build: Build) -> None:
    host = Host(build(start={"module": "ready"}))
    host.port.client_closed()
    host.model.recorder.take()
    host.port.send(b"0123456789")
    host.model.timeline.run_until(host.model.timeline.now_ns + 3 * CHARACTER_NS + 1)
    host.port.client_opened()

    assert host.hears(0.1) == b"456789"
    assert [more["text"] for _, more in host.events("lost")] == ["0123"]
