"""Registration: how long it takes, what a refusal leads to, how the operator is chosen.

The causes and timers are those of 3GPP TS 24.301; only a bench whose network can be moved has them tested,
never a public network.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.bench.interface import Bench
    from hil.measure import Measure
    from hil.modem import Modem

pytestmark = pytest.mark.needs("port:at", "card")

# TS 27.007 7.2.
HOME, DENIED, ROAMING = 1, 3, 5
# T3411 (TS 24.301 table 10.2.1), and what an attempt and its reading may add.
_RETRY_S, _SLACK_S = 10.0, 3.0
_ATTEMPTS = 5  # 5.5.1.2.6
# EF_FPLMN, emptied (TS 31.102 4.2.16): what causes 11 and 35 leave on the card.
_CLEAR_FORBIDDEN = f'AT+CRSM=214,28539,0,0,12,"{"F" * 24}"'

# Those after which nothing is tried again where the module is (TS 24.301 5.5.1.2.5).
FINAL = (3, 6, 7, 8, 11, 12, 13, 14, 15, 35)


def _longest_s(bench: Bench) -> float:
    return bench.profile.delays.registration_s.relied_on + _SLACK_S


@pytest.fixture
def willing_network(bench: Bench) -> None:
    """A network that can be made to refuse, and refuses nobody yet."""
    if "surroundings:network" not in bench.parts:
        pytest.skip("this bench lacks: surroundings:network")
    bench.surroundings.move("network", deny_cause=None)


@pytest.fixture
def modem_silent(willing_network: None, modem_registered: Modem, bench: Bench) -> Iterator[Modem]:
    """A modem that was registered, its radios off by command; the card's list is clean afterwards."""
    del willing_network
    modem_registered.command("AT+CFUN=4", timeout_s=20)
    yield modem_registered
    bench.surroundings.move("network", deny_cause=None)
    modem_registered.command(_CLEAR_FORBIDDEN, demand_ok=False)


def _turn_on(modem: Modem) -> None:
    modem.command("AT+CFUN=1", timeout_s=20)


def test_it_registers_in_the_profile_s_time(modem_ready: Modem, bench: Bench, measure: Measure) -> None:
    modem_ready.unlock_card()
    began_s = bench.clock.now_s()
    modem_ready.wait_registered(timeout_s=2 * _longest_s(bench))

    measure("card to registration", bench.clock.now_s() - began_s, "s", high=_longest_s(bench))


def test_home_and_roaming_are_told_apart(modem_silent: Modem, bench: Bench) -> None:
    found = []
    home = modem_silent.command("AT+CIMI").lines[0][:5]
    for plmn in (home, "00199"):
        bench.surroundings.move("network", plmn=plmn)
        _turn_on(modem_silent)
        modem_silent.wait_registered(timeout_s=_longest_s(bench))
        found.append(modem_silent.registration())
        modem_silent.command("AT+CFUN=4", timeout_s=20)

    assert found == [HOME, ROAMING]


@pytest.mark.needs("surroundings:network")
def test_a_cell_that_goes_is_missed_and_found_again(modem_registered: Modem, bench: Bench) -> None:
    bench.surroundings.move("network", present=False)
    modem_registered.wait_until(
        "the cell missed", lambda: not modem_registered.is_registered(), timeout_s=_longest_s(bench)
    )
    bench.surroundings.move("network", present=True)
    modem_registered.wait_registered(timeout_s=_longest_s(bench))


@pytest.mark.parametrize("cause", FINAL)
def test_a_final_cause_is_told_and_nothing_is_tried_again(
    modem_silent: Modem, bench: Bench, cause: int
) -> None:
    bench.surroundings.move("network", deny_cause=cause)
    _turn_on(modem_silent)
    modem_silent.wait_until(
        "denied", lambda: modem_silent.registration() == DENIED, timeout_s=_longest_s(bench)
    )
    told = modem_silent.reject_cause()
    bench.surroundings.move("network", deny_cause=None)
    bench.clock.wait(_ATTEMPTS * _RETRY_S + _longest_s(bench))

    assert told == cause
    assert modem_silent.registration() == DENIED


def test_a_passing_cause_is_tried_again_after_t3411(
    modem_silent: Modem, bench: Bench, measure: Measure
) -> None:
    bench.surroundings.move("network", deny_cause=17)
    _turn_on(modem_silent)
    modem_silent.wait_until("refused", lambda: modem_silent.reject_cause() == 17, timeout_s=_longest_s(bench))
    began_s = bench.clock.now_s()
    bench.surroundings.move("network", deny_cause=None)
    modem_silent.wait_registered(timeout_s=2 * _RETRY_S)

    measure("refusal to registration", bench.clock.now_s() - began_s, "s", high=_RETRY_S + _SLACK_S)


def test_five_refusals_lead_to_t3402(modem_silent: Modem, bench: Bench) -> None:
    long_s = 120.0
    bench.surroundings.move("network", deny_cause=17, t3402_s=long_s)
    _turn_on(modem_silent)
    modem_silent.wait_until("refused", lambda: modem_silent.reject_cause() == 17, timeout_s=_longest_s(bench))
    bench.clock.wait((_ATTEMPTS - 1) * (_RETRY_S + 1) + _SLACK_S)
    bench.surroundings.move("network", deny_cause=None)
    bench.clock.wait(long_s / 2)
    waits = not modem_silent.is_registered()
    modem_silent.wait_registered(timeout_s=long_s)

    assert waits


def test_congestion_is_waited_out_as_the_network_says(modem_silent: Modem, bench: Bench) -> None:
    # Cause 22 with T3346: nothing before, and an attempt soon after.
    wait_s = 90.0
    bench.surroundings.move("network", deny_cause=22, back_off_s=wait_s)
    _turn_on(modem_silent)
    modem_silent.wait_until("refused", lambda: modem_silent.reject_cause() == 22, timeout_s=_longest_s(bench))
    bench.surroundings.move("network", deny_cause=None)
    bench.clock.wait(wait_s * 0.9)
    waits = not modem_silent.is_registered()
    modem_silent.wait_registered(timeout_s=wait_s * 0.1 + _longest_s(bench))

    assert waits


@pytest.mark.needs("surroundings:network")
def test_a_network_that_detaches_and_asks_for_it_is_attached_to_again(
    modem_registered: Modem, bench: Bench
) -> None:
    # TS 24.301 5.5.2.3.
    modem_registered.command("AT+CEREG=1")
    modem_registered.listen(0.1)
    bench.surroundings.move("network", detach="again")
    modem_registered.listen(_longest_s(bench))

    assert modem_registered.is_registered()


def test_the_operator_is_told_and_given_up_and_found_again(modem_registered: Modem, bench: Bench) -> None:
    modem_registered.command("AT+COPS=3,2")
    told = modem_registered.command("AT+COPS?").value("+COPS").split(",")
    modem_registered.command("AT+COPS=2", timeout_s=180)
    without = modem_registered.command("AT+COPS?").value("+COPS"), modem_registered.is_registered()
    modem_registered.command("AT+COPS=0", timeout_s=180)
    modem_registered.wait_registered(timeout_s=_longest_s(bench))

    assert told[0] == "0"
    assert told[1] == "2"
    assert told[2].strip('"').isdigit()
    assert without == ("2", False)


def test_looking_for_operators_ends_in_time(modem_registered: Modem, bench: Bench, measure: Measure) -> None:
    high = bench.profile.delays.operator_scan_s.relied_on
    began_s = bench.clock.now_s()
    reply = modem_registered.command("AT+COPS=?", timeout_s=2 * high)

    measure("operator scan", bench.clock.now_s() - began_s, "s", high=high + _SLACK_S)
    assert "(2," in reply.value("+COPS")
