"""The module on the bus: its ports come, sleep, wake and go as profile and standard say."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from hil.errors import PortGoneError
from hil.modem import Modem

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.measure import Measure

pytestmark = pytest.mark.needs("header:power_key", "port:at")

# Ports of one device come within so long of each other: a script that waits for one counts on the others.
_TOGETHER_S = 1.0
# A host gives up on a device that has not come to rest after this long (Linux, drivers/usb/core/hub.c, from
# memory); one that was reset has to be back by then.
_BACK_S = 2.0
_IDLE_S = 1.0
# The least that the host's signalling takes (USB 2.0 7.1.7.7), and what a host adds to it.
_SIGNALLING_S = 0.030
_HOST_S = 0.1


def _sleeps(bench: Bench) -> bool:
    """Let the bus fall asleep; whether it has."""
    bench.usb.allow_suspend(True, after_s=_IDLE_S)
    bench.clock.wait(_IDLE_S + 0.5)
    return bench.usb.status() == "suspended"


def test_every_port_of_the_profile_comes(modem_off: Modem, bench: Bench) -> None:
    modem_off.start()
    bench.clock.wait(_TOGETHER_S)

    assert [role for role in bench.ports.present() if role != "uart"] == list(bench.profile.usb.ports)


def test_the_ports_come_together_and_their_numbers_rise(modem_off: Modem, bench: Bench) -> None:
    modem_off.press(modem_off.start_press_s)
    modem_off.wait_ports(modem_off.boot_longest_s)
    bench.clock.wait(_TOGETHER_S)
    roles = bench.profile.usb.ports

    assert set(roles) <= set(bench.ports.present())
    numbers = [int(bench.ports.node(role).removeprefix("ttyUSB")) for role in roles]
    assert numbers == sorted(numbers)


@pytest.mark.needs("usb")
def test_a_reset_by_the_host_brings_the_ports_back_and_they_answer(
    modem_ready: Modem, bench: Bench, measure: Measure
) -> None:
    modem_ready.close()
    began_s = bench.clock.now_s()
    bench.usb.cycle()
    for role in bench.profile.usb.ports:
        bench.ports.wait_for(role, timeout_s=_BACK_S + 10)

    measure("reset to every port", bench.clock.now_s() - began_s, "s", high=_BACK_S)
    assert modem_ready.command("AT").is_ok


@pytest.mark.needs("usb")
def test_an_idle_bus_sleeps_only_where_the_host_allows_it(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.command("AT")
    bench.clock.wait(10 * _IDLE_S)
    uninvited = bench.usb.status()

    assert (uninvited, _sleeps(bench)) == ("active", True)


@pytest.mark.needs("usb")
def test_a_command_wakes_the_bus_and_is_answered_in_time(
    modem_ready: Modem, bench: Bench, measure: Measure
) -> None:
    modem_ready.command("AT")
    assert _sleeps(bench)
    began_s = bench.clock.now_s()
    times = modem_ready.wake()
    took_s = bench.clock.now_s() - began_s
    usb = bench.profile.usb

    if usb.loses_first_bytes:
        assert times <= 2  # the first may be lost, not the second
    else:
        assert times == 1
        high_s = max(usb.resume_s.max, _SIGNALLING_S) + _HOST_S
        measure("command to answer out of sleep", took_s, "s", low=_SIGNALLING_S, high=high_s)


@pytest.mark.needs("usb", "card", "surroundings:network")
def test_a_line_of_the_module_s_own_wakes_the_bus(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.command("AT+CEREG=1")
    assert _sleeps(bench)
    bench.surroundings.move("network", present=False)
    heard = modem_registered.listen(30)

    assert any(line.startswith("+CEREG:") for line in heard)


@pytest.mark.needs("usb")
def test_sleeping_and_waking_again_and_again_leaves_the_port_where_it_was(
    modem_ready: Modem, bench: Bench
) -> None:
    modem_ready.command("AT")
    node = bench.ports.node("at")
    for _ in range(10):
        assert _sleeps(bench)
        modem_ready.wake()

    assert bench.ports.node("at") == node


@pytest.mark.needs("supply")
def test_whoever_holds_a_port_is_told_when_it_goes(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.command("AT")
    modem_ready.close()  # a host's program has a port for itself
    port = bench.ports.open("at")
    bench.supply.off()

    with pytest.raises(PortGoneError):
        port.read(timeout_s=1.0)
    bench.supply.on()


@pytest.mark.needs("usb")
def test_a_dead_handle_keeps_its_number_until_it_is_closed(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.close()
    usual = bench.ports.node("at")
    handle = bench.ports.open("at")
    bench.usb.cycle()
    bench.ports.wait_for("at", timeout_s=_BACK_S)
    meanwhile = bench.ports.node("at")
    answers = Modem(bench).command("AT").is_ok
    handle.close()

    assert meanwhile != usual
    assert answers
    bench.ports.wait_for("at", timeout_s=_BACK_S)


@pytest.mark.needs("usb", "surroundings:adaptor")
def test_another_device_on_the_bus_changes_the_numbers_and_nothing_else(
    modem_off: Modem, bench: Bench
) -> None:
    bench.surroundings.move("adaptor", ports=2)
    modem_off.start()
    bench.clock.wait(_TOGETHER_S)

    assert set(bench.profile.usb.ports) <= set(bench.ports.present())
    assert modem_off.command("AT").is_ok
