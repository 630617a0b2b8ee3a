"""+CTZR and its reports (3GPP TS 27.007 8.41)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Converse = Callable[..., Any]


@pytest.mark.parametrize(
    ("level", "line"),
    [
        (0, []),
        (1, ['+CTZV: "+08"']),
        (2, ['+CTZE: "+08",1,"2026/01/15,08:02:00"']),
        (3, ['+CTZEU: "+08",1,"2026/01/15,06:02:00"']),
    ],
)
def test_another_zone_is_reported_as_asked_for(converse: Converse, level: int, line: list[str]) -> None:
    client = converse(network={"zone_quarters": 4})
    client(f'AT+CTZR={level};+CPIN="1234"')
    first = client.later(119.999)
    client.model.air.move(zone_quarters=8, dst_hours=1)

    assert [one[:10] for one in first] == [one.replace("08", "04").replace(",1", ",0")[:10] for one in line]
    assert client.heard() == line
    client.model.air.move(rsrp_dbm=-96)
    assert client.heard() == []  # the same zone again


def test_a_zone_is_reported_also_where_the_clock_does_not_follow_it(converse: Converse) -> None:
    client = converse(network={"zone_quarters": -12})
    client('AT+CTZR=1;+CTZU=0;+CPIN="1234"')

    assert client.later(60) == ['+CTZV: "-12"']
    assert client("AT+CCLK?")[0].startswith('+CCLK: "80/')


def test_a_network_without_time_reports_no_zone(converse: Converse) -> None:
    client = converse(network={"gives_time": False})
    client('AT+CTZR=1;+CPIN="1234"')
    client.later(60)
    client.model.air.move(zone_quarters=8)

    assert client.heard() == []


def test_the_clock_follows_a_zone_that_moves(converse: Converse) -> None:
    client = converse()
    client('AT+CPIN="1234"')
    client.later(60)
    client.model.air.move(zone_quarters=8)

    assert client("AT+CCLK?")[0].endswith('+08"')
