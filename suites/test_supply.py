"""The supply: what the rail does under load, and what the module does when the rail does something.

Written against the profile; no figure stands here that a profile holds.  The source is found by
measuring: what lies between it and the module is the carrier's business.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.bench.interface import Bench
    from hil.measure import Measure
    from hil.modem import Modem

pytestmark = pytest.mark.needs("supply", "meter", "port:at", "header:power_key")

# How long the rail is given to settle, and how fine the source is set.
_SETTLES_S = 0.3
_FINE_V = 0.02
_STEP_V = 0.1


def _rail_at(bench: Bench, source_v: float) -> float:
    """The rail with the source at that, the module off."""
    bench.supply.set_volts(source_v)
    bench.clock.wait(_SETTLES_S)
    return bench.supply.rail_volts()


def _set_rail(bench: Bench, rail_v: float) -> None:
    """Set the source so that the rail is just above *rail_v*, coming from a supply that was off."""
    low_v, high_v = 0.0, bench.supply.nominal_v
    while high_v - low_v > _FINE_V:
        source_v = (low_v + high_v) / 2
        bench.supply.off()
        bench.clock.wait(2.0)
        bench.supply.set_volts(source_v)
        bench.supply.on()
        if _rail_at(bench, source_v) < rail_v:
            low_v = source_v
        else:
            high_v = source_v
    bench.supply.off()
    bench.clock.wait(2.0)
    bench.supply.set_volts(high_v)
    bench.supply.on()
    bench.clock.wait(_SETTLES_S)


def _sag_until_gone(modem: Modem, bench: Bench) -> bool:
    """Lower the source step by step until the ports are gone: True where they go."""
    source_v = bench.supply.nominal_v
    while source_v > 0:
        source_v = max(source_v - _STEP_V, 0.0)
        bench.supply.set_volts(source_v)
        if bench.ports.wait_gone("at", timeout_s=0.05):
            modem.close()
            return True
    return False


@pytest.fixture(autouse=True)
def source_as_it_was(bench: Bench) -> Iterator[None]:
    """Whatever a test does to the source, the next one finds it as the bench file says."""
    yield
    bench.supply.set_volts(bench.supply.nominal_v)
    bench.supply.on()


def test_the_rail_is_within_the_profile_with_the_module_off_and_on(
    modem_off: Modem, bench: Bench, measure: Measure
) -> None:
    limits = bench.profile.supply
    off_v = bench.supply.rail_volts()
    modem_off.start()
    on_v = bench.supply.rail_volts()

    measure("rail, module off", off_v, "V", low=limits.min_v, high=limits.max_v)
    measure("rail, module on", on_v, "V", low=limits.min_v, high=limits.max_v)


@pytest.mark.needs("card")
def test_the_rail_stays_within_the_profile_while_the_module_registers(
    modem_ready: Modem, bench: Bench, measure: Measure
) -> None:
    began_s = bench.clock.now_s()
    modem_ready.make_registered()
    lowest_v = bench.supply.lowest_rail_volts(within_s=bench.clock.now_s() - began_s)

    measure("lowest rail while registering", lowest_v, "V", low=bench.profile.supply.warning_v)


@pytest.mark.needs("card")
def test_the_module_does_not_restart_while_it_registers(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.unlock_card()
    gone = bench.ports.wait_gone("at", timeout_s=bench.profile.delays.registration_s.relied_on + 1)

    assert not gone
    assert modem_ready.is_registered()


def test_a_sag_below_the_lock_out_restarts_the_module_without_a_farewell(
    modem_ready: Modem, bench: Bench
) -> None:
    if bench.profile.supply.lockout_v == 0:
        pytest.skip(f"{bench.profile.name} has no lock-out")
    modem_ready.command("AT")
    began_ns = bench.clock.now_ns()
    gone = _sag_until_gone(modem_ready, bench)
    bench.supply.set_volts(bench.supply.nominal_v)

    assert gone
    modem_ready.wait_ready(timeout_s=modem_ready.boot_longest_s + bench.profile.supply.restart_after_s + 1)
    farewell = bench.profile.farewell_line.encode()
    assert farewell not in bench.recording.text("port/at", "from_module", from_ns=began_ns)


def test_the_module_holds_on_down_to_its_least_voltage(
    modem_ready: Modem, bench: Bench, measure: Measure
) -> None:
    rail_v = bench.supply.rail_volts()
    source_v = bench.supply.nominal_v
    while source_v > 0:
        source_v = max(source_v - _STEP_V / 2, 0.0)
        bench.supply.set_volts(source_v)
        if bench.ports.wait_gone("at", timeout_s=0.05):
            break
        rail_v = bench.supply.rail_volts()
    modem_ready.close()

    measure("lowest rail with the module alive", rail_v, "V", high=bench.profile.supply.min_v)


def test_a_supply_that_was_cut_for_long_makes_the_module_forget_that_it_ran(
    modem_ready: Modem, bench: Bench
) -> None:
    auto_start_s = bench.profile.supply.auto_start_s
    bench.supply.off()
    bench.ports.wait_gone("at", timeout_s=1.0)
    modem_ready.close()
    bench.clock.wait(10.0)
    bench.supply.on()
    starts = modem_ready.wait_ports(modem_ready.boot_longest_s + (auto_start_s or 0.0))

    assert starts is (auto_start_s is not None)


def test_a_module_on_a_supply_that_ramps_slowly_starts_as_ever(modem_off: Modem, bench: Bench) -> None:
    bench.supply.off()
    bench.clock.wait(2.0)
    bench.supply.set_volts(0.0)
    bench.supply.on()
    source_v = 0.0
    while source_v < bench.supply.nominal_v:
        source_v = min(source_v + _STEP_V, bench.supply.nominal_v)
        bench.supply.set_volts(source_v)
        bench.clock.wait(0.05)

    if bench.profile.supply.auto_start_s is None:
        bench.clock.wait(bench.profile.key.dead_after_supply_s + 0.1)
        modem_off.start()
    else:
        modem_off.wait_ready(timeout_s=modem_off.boot_longest_s + bench.profile.supply.auto_start_s)


def test_below_its_start_voltage_the_module_does_not_start(modem_off: Modem, bench: Bench) -> None:
    needs = bench.profile.supply
    _set_rail(bench, (needs.lockout_v + needs.restart_v) / 2)
    modem_off.press(modem_off.start_press_s)

    assert not modem_off.wait_ports(modem_off.boot_longest_s + (needs.auto_start_s or 0.0))


def test_the_module_starts_on_the_least_rail_that_the_profile_allows(
    modem_off: Modem, bench: Bench, measure: Measure
) -> None:
    needs = bench.profile.supply
    _set_rail(bench, needs.restart_v + _FINE_V)
    bench.clock.wait(bench.profile.key.dead_after_supply_s)
    began_s = bench.clock.now_s()
    if needs.auto_start_s is None:
        modem_off.press(modem_off.start_press_s)
    modem_off.wait_ready(timeout_s=modem_off.boot_longest_s + (needs.auto_start_s or 0.0))
    lowest_v = bench.supply.lowest_rail_volts(within_s=bench.clock.now_s() - began_s)

    measure("lowest rail while starting", lowest_v, "V", low=needs.lockout_v)
