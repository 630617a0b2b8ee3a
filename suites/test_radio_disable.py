"""The radio-disable pin and +CFUN: what silences the radios, and what brings them back.

Written against profile and wiring; no figure stands here that a profile holds.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.measure import Measure
    from hil.modem import Modem

pytestmark = pytest.mark.needs("header:radio_disable", "port:at", "card")

FULL, SILENT = 1, 4  # TS 27.007 8.2

# A state is asked for every quarter second, so a delay is known to that.
_ASKED_S = 0.25


def _back_s(bench: Bench) -> float:
    """How long a registration may take once the radios work."""
    delays = bench.profile.delays
    return delays.radio_off_s.relied_on + delays.registration_s.relied_on + 1.0


def test_the_pin_silences_the_radios_in_time(modem_registered: Modem, bench: Bench, measure: Measure) -> None:
    limit_s = bench.profile.delays.radio_off_s.relied_on
    began_s = bench.clock.now_s()
    modem_registered.disable_radio()
    modem_registered.wait_until(
        "not registered", lambda: not modem_registered.is_registered(), timeout_s=2 * limit_s + 1
    )

    measure("pin to registration lost", bench.clock.now_s() - began_s, "s", high=limit_s + _ASKED_S)
    assert modem_registered.functionality() == SILENT


def test_releasing_the_pin_brings_the_registration_back(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.disable_radio()
    bench.clock.wait(bench.profile.delays.radio_off_s.relied_on + 1)
    silent = modem_registered.functionality()
    modem_registered.enable_radio()
    modem_registered.wait_registered(timeout_s=_back_s(bench))

    assert (silent, modem_registered.functionality()) == (SILENT, FULL)


def test_a_pin_that_is_let_go_leaves_the_radios_on(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.enable_radio()
    modem_ready.make_registered()
    bench.header["radio_disable"].release()
    bench.clock.wait(bench.profile.delays.radio_off_s.relied_on + 1)

    assert modem_ready.is_registered()
    assert modem_ready.functionality() == FULL


def test_a_command_cannot_undo_the_pin(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.disable_radio()
    bench.clock.wait(bench.profile.delays.radio_off_s.relied_on + 1)
    modem_registered.command("AT+CFUN=1", timeout_s=180, demand_ok=False)
    bench.clock.wait(_back_s(bench))

    assert modem_registered.functionality() == SILENT
    assert not modem_registered.is_registered()


def test_the_command_silences_and_brings_back(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.command("AT+CFUN=4", timeout_s=180)
    silent = modem_registered.functionality(), modem_registered.is_registered()
    modem_registered.command("AT+CFUN=1", timeout_s=180)
    modem_registered.wait_registered(timeout_s=_back_s(bench))

    assert silent == (SILENT, False)
    assert modem_registered.functionality() == FULL


def test_a_command_to_stay_silent_outlives_the_pin(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.command("AT+CFUN=4", timeout_s=180)
    modem_registered.disable_radio()
    bench.clock.wait(1.0)
    modem_registered.enable_radio()
    bench.clock.wait(_back_s(bench))

    assert modem_registered.functionality() == SILENT
    assert not modem_registered.is_registered()


def test_a_command_given_while_the_pin_silences_takes_effect_after_it(
    modem_registered: Modem, bench: Bench
) -> None:
    modem_registered.command("AT+CFUN=4", timeout_s=180)
    modem_registered.disable_radio()
    bench.clock.wait(bench.profile.delays.radio_off_s.relied_on + 1)
    modem_registered.command("AT+CFUN=1", timeout_s=180, demand_ok=False)
    bench.clock.wait(_back_s(bench))
    silent = modem_registered.functionality(), modem_registered.is_registered()
    modem_registered.enable_radio()
    modem_registered.wait_registered(timeout_s=_back_s(bench))

    assert silent == (SILENT, False)
    assert modem_registered.functionality() == FULL


@pytest.mark.needs("header:power_key")
def test_a_module_that_boots_with_the_pin_asserted_stays_silent(modem_off: Modem, bench: Bench) -> None:
    modem_off.disable_radio()
    modem_off.start()
    modem_off.unlock_card()
    bench.clock.wait(_back_s(bench))

    assert modem_off.functionality() == SILENT
    assert not modem_off.is_registered()


def test_a_silent_module_still_answers_and_reports_no_level(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.disable_radio()
    bench.clock.wait(bench.profile.delays.radio_off_s.relied_on + 1)

    assert modem_registered.command("AT").is_ok
    assert modem_registered.command("AT+CSQ").value("+CSQ") == "99,99"


def test_loss_and_return_are_reported_unasked(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.command("AT+CEREG=1")
    modem_registered.disable_radio()
    lost = modem_registered.listen(bench.profile.delays.radio_off_s.relied_on + 1)
    modem_registered.enable_radio()
    back = modem_registered.listen(_back_s(bench))

    assert "+CEREG: 0" in lost
    assert back[-1] in ("+CEREG: 1", "+CEREG: 5")
