"""The module's clock and the network's time (3GPP TS 27.007 8.15, 8.40)."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.modem import Modem

pytestmark = pytest.mark.needs("port:at", "card")

# A clock that nobody has set begins earlier than this.
_SET_SINCE = 2020


def _clock(modem: Modem) -> tuple[datetime, int]:
    """Local time and its zone in quarters of an hour."""
    text = modem.command("AT+CCLK?").value("+CCLK").strip('"')
    return datetime.strptime(text[:17], "%y/%m/%d,%H:%M:%S"), int(text[17:])  # noqa: DTZ007 # local


def test_registration_sets_the_clock_and_it_runs(modem_registered: Modem, bench: Bench) -> None:
    first, _ = _clock(modem_registered)
    bench.clock.wait(60)
    second, _ = _clock(modem_registered)

    assert _SET_SINCE <= first.year < 2080  # <yy> 80 and above are the last century's
    assert abs((second - first).total_seconds() - 60) <= 1


@pytest.mark.needs("surroundings:network")
def test_the_zone_follows_the_network(modem_registered: Modem, bench: Bench) -> None:
    _, before = _clock(modem_registered)
    bench.surroundings.move("network", zone_quarters=before + 4, dst_hours=1)
    bench.clock.wait(5)

    assert _clock(modem_registered)[1] == before + 4


def test_a_clock_that_was_told_to_stays_as_it_is(modem_registered: Modem) -> None:
    modem_registered.command('AT+CTZU=0;+CCLK="21/06/01,12:00:00+00"')
    modem_registered.command("AT+CFUN=4", timeout_s=20)
    modem_registered.command("AT+CFUN=1", timeout_s=20)
    modem_registered.wait_registered()
    local, _ = _clock(modem_registered)
    modem_registered.command("AT+CTZU=1")

    assert (local.year, local.month) == (2021, 6)
