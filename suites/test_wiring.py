"""The wiring at work: polarity, lines that are let go, the host's boot, the serial interface.

Written against profile and wiring; no figure stands here that a profile holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from hil.modem import Modem

if TYPE_CHECKING:
    from hil.bench.interface import Bench

pytestmark = pytest.mark.needs("header:power_key", "port:at")


def _longest_press_s(bench: Bench) -> float:
    """Longer than any press of the profile that does something."""
    key = bench.profile.key
    presses = [key.start_longest_s, key.stop_s.relied_on, key.reset_s.relied_on if key.reset_s else 0.0]
    return max(presses) + 1.0


def test_the_level_of_rest_at_the_key_starts_nothing(modem_off: Modem, bench: Bench) -> None:
    bench.header["power_key"].set_active(False)
    bench.clock.wait(_longest_press_s(bench))

    assert not modem_off.wait_ports(modem_off.boot_longest_s)


def test_a_key_that_is_let_go_starts_nothing(modem_off: Modem, bench: Bench) -> None:
    bench.header["power_key"].release()

    assert not modem_off.wait_ports(_longest_press_s(bench) + modem_off.boot_longest_s)


def test_a_key_that_is_let_go_stops_nothing(modem_ready: Modem, bench: Bench) -> None:
    bench.header["power_key"].release()

    assert not bench.ports.wait_gone("at", timeout_s=_longest_press_s(bench) + modem_ready.stop_longest_s)
    assert modem_ready.command("AT").is_ok


def test_the_host_starts_and_stops_the_module_again_and_again(modem_off: Modem) -> None:
    for _ in range(2):
        modem_off.start()
        modem_off.press(modem_off.stop_press_s)
        modem_off.wait_off()
        stays_off = not modem_off.wait_ports(modem_off.boot_longest_s)

        assert stays_off


@pytest.mark.needs("host")
def test_a_boot_of_the_host_does_not_start_the_module(modem_off: Modem, bench: Bench) -> None:
    bench.host.reboot()

    assert not modem_off.wait_ports(_longest_press_s(bench) + modem_off.boot_longest_s)


@pytest.mark.needs("host")
def test_a_boot_of_the_host_does_not_stop_a_running_module(modem_ready: Modem, bench: Bench) -> None:
    bench.host.reboot()

    assert not bench.ports.wait_gone("at", timeout_s=_longest_press_s(bench) + modem_ready.stop_longest_s)
    assert modem_ready.command("AT").is_ok


@pytest.mark.needs("host", "card", "header:radio_disable")
def test_a_boot_of_the_host_leaves_the_radios_on(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.enable_radio()
    modem_ready.make_registered()
    bench.host.reboot()
    bench.clock.wait(bench.profile.delays.radio_off_s.relied_on + 1)

    assert modem_ready.is_registered()


@pytest.mark.needs("port:uart")
def test_the_serial_interface_carries_both_ways(modem_ready: Modem, bench: Bench) -> None:
    assert modem_ready.command("AT").is_ok
    uart = Modem(bench, role="uart")
    try:
        uart.wake()
        assert uart.command("AT").is_ok
    finally:
        uart.close()
