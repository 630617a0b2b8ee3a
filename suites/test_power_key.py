"""The power key: what each press does, by its length and the moment at which it begins.

Written against profile and wiring; no figure stands here that a profile holds.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING

import pytest

from hil.errors import LateRunError

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.measure import Measure
    from hil.modem import Modem

pytestmark = pytest.mark.needs("header:power_key", "port:at")

# The threshold search ends here: finer than what a script could make use of.
_RESOLUTION_S = 0.005
_MORE_PRESSES = 4


def _starts(modem: Modem, press_s: float) -> bool:
    """Whether a press of *press_s* starts the module; one that became longer is given again."""
    modem.make_off()
    for _ in range(_MORE_PRESSES):
        with contextlib.suppress(LateRunError):
            modem.press(press_s)
            break
        modem.make_off()
    else:
        modem.press(press_s)
    started = modem.wait_ports(modem.boot_longest_s)
    if started:
        modem.wait_ready()
    return started


def test_the_guaranteed_press_starts_the_module(modem_off: Modem) -> None:
    modem_off.press(modem_off.bench.profile.key.start_s.relied_on)
    modem_off.wait_ready()

    assert modem_off.command("AT").is_ok


def test_the_longest_good_press_starts_the_module_once(modem_off: Modem, bench: Bench) -> None:
    modem_off.press(bench.profile.key.start_longest_s)
    modem_off.wait_ready()
    bench.clock.wait(modem_off.stop_longest_s)

    assert modem_off.command("AT").is_ok


def test_a_short_press_is_ignored(modem_off: Modem, bench: Bench) -> None:
    modem_off.press(0.8 * bench.profile.key.start_s.min)

    assert not modem_off.wait_ports(modem_off.boot_longest_s)


def test_the_start_threshold_is_within_the_profile(modem: Modem, bench: Bench, measure: Measure) -> None:
    limits = bench.profile.key.start_s
    low_s, high_s = 0.8 * limits.min, limits.relied_on
    while high_s - low_s > _RESOLUTION_S:
        press_s = (low_s + high_s) / 2
        if _starts(modem, press_s):
            high_s = press_s
        else:
            low_s = press_s

    measure("start threshold", (low_s + high_s) / 2, "s", low=limits.min, high=limits.max)


def test_the_start_press_on_a_running_module_does_what_the_profile_says(
    modem_ready: Modem, bench: Bench
) -> None:
    modem_ready.press(modem_ready.start_press_s)

    if bench.profile.key.toggles:
        modem_ready.wait_off()
    else:
        bench.clock.wait(modem_ready.stop_longest_s)
        assert modem_ready.command("AT").is_ok


def test_the_guaranteed_stop_press_stops_the_module_with_a_farewell(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.command("AT")
    began_ns = bench.clock.now_ns()

    modem_ready.press(bench.profile.key.stop_s.relied_on)
    lane = "port/at"
    bench.ports.wait_gone("at", timeout_s=modem_ready.stop_longest_s)

    assert bench.profile.farewell_line.encode() in bench.recording.text(lane, "from_module", from_ns=began_ns)
    modem_ready.wait_off()


def test_the_module_is_off_within_the_profile_after_a_stop(
    modem_ready: Modem, bench: Bench, measure: Measure
) -> None:
    modem_ready.press(modem_ready.stop_press_s)
    released_s = bench.clock.now_s()
    limits = bench.profile.delays.stop_s

    assert bench.ports.wait_gone("at", timeout_s=modem_ready.stop_longest_s + limits.max)
    measure("stop to ports gone", bench.clock.now_s() - released_s, "s", low=limits.min, high=limits.max)


def test_a_press_that_is_too_short_does_not_stop_the_module(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.press(0.8 * bench.profile.key.stop_s.min)
    bench.clock.wait(modem_ready.stop_longest_s)

    assert modem_ready.command("AT").is_ok


def test_a_press_in_the_first_seconds_of_booting_is_ignored_whole(modem_off: Modem, bench: Bench) -> None:
    modem_off.press(modem_off.start_press_s)
    bench.clock.wait(0.25 * bench.profile.key.dead_in_boot_s)
    modem_off.press(modem_off.stop_press_s)

    modem_off.wait_ready()


def test_a_stop_press_late_in_booting_stops_the_module(modem_off: Modem, bench: Bench) -> None:
    key = bench.profile.key
    modem_off.press(modem_off.start_press_s)
    bench.clock.wait(key.dead_in_boot_s + 0.1)
    modem_off.press(modem_off.stop_press_s)
    bench.clock.wait(modem_off.stop_longest_s)

    assert not modem_off.wait_ports(modem_off.boot_longest_s)


def test_a_press_soon_after_off_is_ignored_whole(modem_ready: Modem) -> None:
    modem_ready.press(modem_ready.stop_press_s)
    modem_ready.wait_off()
    modem_ready.press(modem_ready.start_press_s)

    assert not modem_ready.wait_ports(modem_ready.boot_longest_s)


def test_a_very_long_press_resets_where_the_profile_has_a_reset(
    modem_ready: Modem, bench: Bench, measure: Measure
) -> None:
    reset = bench.profile.key.reset_s
    if reset is None:
        pytest.skip(f"{bench.profile.name} has no hard reset")
    key, began_ns, began_s = bench.header["power_key"], bench.clock.now_ns(), bench.clock.now_s()
    key.set_active(True)
    gone = bench.ports.wait_gone("at", timeout_s=reset.relied_on + 1)
    ended_s = bench.clock.now_s()
    bench.clock.wait(1.0)
    key.set_active(False)

    assert gone
    measure("hold to reset", ended_s - began_s, "s", low=reset.min, high=reset.max, ended_s=ended_s)
    farewell = bench.profile.farewell_line.encode()
    assert farewell not in bench.recording.text("port/at", "from_module", from_ns=began_ns)
    modem_ready.wait_ready()


def test_one_very_long_press_from_off_starts_and_does_not_reset(modem_off: Modem, bench: Bench) -> None:
    key = bench.profile.key
    if key.start_acts != "held":
        pytest.skip(f"{bench.profile.name} starts on release")
    longest_s = modem_off.boot_longest_s + (key.reset_s.relied_on if key.reset_s else 0) + 1
    pin = bench.header["power_key"]
    pin.set_active(True)
    bench.ports.wait_for("at", timeout_s=longest_s)
    still_there = not bench.ports.wait_gone("at", timeout_s=longest_s)
    pin.set_active(False)

    assert still_there
    modem_off.wait_ready()


def test_boot_takes_as_long_as_the_profile_says(modem_off: Modem, bench: Bench, measure: Measure) -> None:
    delays, key = bench.profile.delays, bench.profile.key
    press_s = modem_off.start_press_s
    began_s = bench.clock.now_s()
    modem_off.press(press_s)
    bench.ports.wait_for("at", timeout_s=modem_off.boot_longest_s)
    ended_s = bench.clock.now_s()
    modem_off.wait_ready()

    # The threshold itself is only known to be inside its limits; on release, the press is its end.
    earliest_s, latest_s = (
        (press_s, press_s) if key.start_acts == "release" else (key.start_s.min, key.start_s.max)
    )
    appears = delays.usb_appears_s
    low_s, high_s = appears.min + earliest_s, appears.max + latest_s
    measure("press to ports", ended_s - began_s, "s", low=low_s, high=high_s, ended_s=ended_s)


@pytest.mark.needs("supply")
def test_the_module_starts_with_the_supply_only_where_the_profile_says_so(
    modem_off: Modem, bench: Bench
) -> None:
    auto_start_s = bench.profile.supply.auto_start_s
    bench.supply.off()
    bench.clock.wait(2.0)
    bench.supply.on()
    bench.clock.wait(auto_start_s or 0.0)

    assert modem_off.wait_ports(modem_off.boot_longest_s) is (auto_start_s is not None)


@pytest.mark.needs("supply")
def test_losing_the_supply_takes_the_ports_away_without_farewell(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.command("AT")
    began_ns = bench.clock.now_ns()
    bench.supply.off()

    assert bench.ports.wait_gone("at", timeout_s=0.5)
    farewell = bench.profile.farewell_line.encode()
    assert farewell not in bench.recording.text("port/at", "from_module", from_ns=began_ns)


@pytest.mark.needs("header:status")
def test_the_status_output_follows_the_module(modem_off: Modem, bench: Bench) -> None:
    status = bench.header["status"]
    off = status.is_active()
    modem_off.start()
    on = status.is_active()
    modem_off.press(modem_off.stop_press_s)
    modem_off.wait_off()

    assert (off, on, status.is_active()) == (False, True, False)
