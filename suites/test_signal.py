"""Levels: their scales, what they follow, and what an antenna that is not there shows.

Levels are compared with what arrives at the connectors, as the bench has it, within what TS 36.133 allows.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.modem import Modem

pytestmark = pytest.mark.needs("port:at", "card")

# TS 36.133 9.1.2, normal conditions (from memory), and half a step of rounding.
_ALLOWED_DB = 6.5
_UNKNOWN = 255


def _rsrp_dbm(modem: Modem) -> float | None:
    """The middle of the step that +CESQ tells (TS 27.007 8.69: index 1 is -140 to -139 dBm)."""
    index = int(modem.command("AT+CESQ").value("+CESQ").split(",")[5])
    return None if index == _UNKNOWN else index - 140.5


def _longest_s(bench: Bench) -> float:
    return bench.profile.delays.registration_s.relied_on + 3


@pytest.mark.needs("surroundings:network")
@pytest.mark.parametrize("level_dbm", [-75.0, -95.0, -110.0])
def test_the_level_is_what_arrives(modem_registered: Modem, bench: Bench, level_dbm: float) -> None:
    bench.surroundings.move("network", rsrp_dbm=level_dbm)
    bench.clock.wait(5)
    told_dbm = _rsrp_dbm(modem_registered)

    assert told_dbm is not None
    assert abs(told_dbm - level_dbm) <= _ALLOWED_DB


def test_levels_are_unknown_while_the_radios_are_off(modem_registered: Modem, bench: Bench) -> None:
    known = _rsrp_dbm(modem_registered)
    modem_registered.command("AT+CFUN=4", timeout_s=20)
    bench.clock.wait(2)
    level = modem_registered.command("AT+CSQ").value("+CSQ").split(",")[0]

    assert known is not None
    assert (level, _rsrp_dbm(modem_registered)) == ("99", None)


@pytest.mark.needs("surroundings:antennas")
def test_attenuation_lowers_the_level_until_the_cell_is_lost(modem_registered: Modem, bench: Bench) -> None:
    before = _rsrp_dbm(modem_registered)
    bench.surroundings.move("antennas", attenuation_db=10.0)
    bench.clock.wait(5)
    lowered = _rsrp_dbm(modem_registered)
    bench.surroundings.move("antennas", attenuation_db=90.0)
    modem_registered.wait_until(
        "the cell lost", lambda: not modem_registered.is_registered(), timeout_s=_longest_s(bench)
    )
    bench.surroundings.move("antennas", attenuation_db=0.0)
    modem_registered.wait_registered(timeout_s=_longest_s(bench))

    assert before is not None
    assert lowered is not None
    assert abs(before - lowered - 10.0) <= 2.0


@pytest.mark.needs("surroundings:antennas")
def test_a_level_alone_does_not_prove_the_main_antenna(modem_registered: Modem, bench: Bench) -> None:
    """Through the diversity branch the module hears well; through an open main connector nobody hears it."""
    before = _rsrp_dbm(modem_registered)
    modem_registered.command("AT+CFUN=4", timeout_s=20)
    bench.surroundings.move("antennas", main=False)
    modem_registered.command("AT+CFUN=1", timeout_s=20)
    bench.clock.wait(2 * _longest_s(bench))
    after, registered = _rsrp_dbm(modem_registered), modem_registered.is_registered()

    assert before is not None
    assert after is not None
    assert abs(after - before) <= 2.0
    assert not registered
