"""The card: when it is ready, what it tells of itself, what it does when it is pulled.

No wrong PIN is ever entered here, and no PIN where fewer than two tries are left.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.measure import Measure
    from hil.modem import Modem

pytestmark = pytest.mark.needs("port:at", "card")

# TS 27.007 9.2.
ABSENT, PIN_REQUIRED, BUSY = "+CME ERROR: 10", "+CME ERROR: 11", "+CME ERROR: 14"
# A state is asked for every quarter second.
_ASKED_S = 0.25


def _says(modem: Modem) -> str:
    reply = modem.command("AT+CPIN?", timeout_s=20, demand_ok=False)
    return reply.lines[0] if reply.lines else reply.result


def _starts_s(bench: Bench) -> float:
    """From the module's readiness, the longest that a card's start may take."""
    return bench.profile.delays.card_ready_s.relied_on


def test_the_card_is_ready_in_time_and_busy_until_then(
    modem_off: Modem, bench: Bench, measure: Measure
) -> None:
    modem_off.start()
    modem_off.command("AT+CMEE=1")
    began_s = bench.clock.now_s()
    seen = set()
    while not (says := _says(modem_off)).startswith("+CPIN: "):
        seen.add(says)
        assert bench.clock.now_s() - began_s < _starts_s(bench) + 2
        bench.clock.wait(_ASKED_S)

    measure("ready to card", bench.clock.now_s() - began_s, "s", high=_starts_s(bench) + _ASKED_S)
    assert seen <= {BUSY}


@pytest.mark.needs("surroundings:card")
def test_a_card_that_is_put_in_while_the_module_runs_is_told_as_busy_until_it_is_ready(
    modem_registered: Modem, bench: Bench
) -> None:
    modem_registered.command("AT+CMEE=1")
    bench.surroundings.move("card", present=False)
    bench.surroundings.move("card", present=True, starts_s=5.0)
    bench.clock.wait(2)

    assert _says(modem_registered) == BUSY


def test_the_pin_is_accepted_in_time(modem_ready: Modem, bench: Bench, measure: Measure) -> None:
    modem_ready.wait_until("the card waits", lambda: _says(modem_ready).startswith("+CPIN: "), timeout_s=30)
    began_s = bench.clock.now_s()
    modem_ready.unlock_card()

    high = bench.profile.delays.pin_accepted_s.relied_on + 2 * _ASKED_S
    measure("PIN to ready", bench.clock.now_s() - began_s, "s", high=high)


def test_every_try_is_left_before_and_after(modem_ready: Modem) -> None:
    modem_ready.wait_until("the card waits", lambda: _says(modem_ready).startswith("+CPIN: "), timeout_s=30)
    before = modem_ready.command("AT+CPINR").lines
    modem_ready.unlock_card()
    after = modem_ready.command("AT+CPINR").lines

    for lines in (before, after):
        for line in lines:
            _, left, full = line.rsplit(",", 2)
            assert left == full, line


def test_the_subscriber_is_hidden_until_the_pin_is_entered(modem_ready: Modem, bench: Bench) -> None:
    if bench.card_pin is None:
        pytest.skip("this bench lacks: a card with a PIN")
    modem_ready.command("AT+CMEE=1")
    modem_ready.wait_until("the card waits", lambda: _says(modem_ready).startswith("+CPIN: "), timeout_s=30)
    hidden = modem_ready.command("AT+CIMI", demand_ok=False).result
    modem_ready.unlock_card()
    shown = modem_ready.command("AT+CIMI").lines[0]

    assert hidden == PIN_REQUIRED
    assert re.fullmatch(r"\d{6,15}", shown)


def test_the_card_s_number_has_its_check_digit(modem_ready: Modem) -> None:
    # ITU-T E.118: 89 first, a Luhn digit last; EF_ICCID holds its digits in swapped pairs (TS 102 221 13.2).
    modem_ready.wait_until("the card waits", lambda: _says(modem_ready).startswith("+CPIN: "), timeout_s=30)
    fields = modem_ready.command("AT+CRSM=176,12258,0,0,10").value("+CRSM").split(",")
    coded = fields[2].strip('"')
    digits = "".join(coded[place + 1] + coded[place] for place in range(0, len(coded), 2)).rstrip("F")

    assert fields[:2] == ["144", "0"]
    assert digits.startswith("89")
    assert _luhn(digits) == 0


def _luhn(digits: str) -> int:
    doubled = [sum(divmod(2 * int(digit), 10)) for digit in digits[-2::-2]]
    return (sum(doubled) + sum(map(int, digits[::-2]))) % 10


@pytest.mark.needs("surroundings:card")
def test_a_card_that_is_pulled_is_missed_and_found_again_when_it_is_put_back(
    modem_registered: Modem, bench: Bench
) -> None:
    modem_registered.command("AT+CMEE=1")
    bench.surroundings.move("card", present=False)
    modem_registered.wait_until("the card missed", lambda: _says(modem_registered) == ABSENT, timeout_s=20)
    registered = modem_registered.is_registered()
    bench.surroundings.move("card", present=True)
    modem_registered.make_registered()

    assert not registered
