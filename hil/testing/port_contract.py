"""What every `PortDriver` and the links it opens keep."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

import pytest

from hil.bench.drivers.contracts import LinkLostError

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import Link, PortDriver

# Wall time that anything here may take.
_LONGEST_S = 5.0


class PortContract:
    """Inherit as `Test…`; provide `port`, a driver of a port that is there and whose far end sends everything
    back, and *unplug*: from then on it is not there.
    """

    def test_a_port_that_is_there_has_a_name(self, port: PortDriver) -> None:
        assert port.node()
        assert port.node() == port.node()
        assert port.check()

    def test_every_byte_goes_out_and_comes_back(self, port: PortDriver) -> None:
        data = bytes(range(256)) * 8
        link = port.open(baud=115200, framing="8N1")
        link.write(data)

        assert _read(link, len(data)) == data
        link.close()

    def test_reading_ends_with_its_time(self, port: PortDriver) -> None:
        link = port.open(baud=115200, framing="8N1")
        began_s = time.monotonic()

        assert link.read(0.05) == b""
        assert 0.04 <= time.monotonic() - began_s < _LONGEST_S
        link.close()

    def test_it_can_be_opened_again(self, port: PortDriver) -> None:
        for _ in range(2):
            link = port.open(baud=9600, framing="8N1")
            link.write(b"AT\r")

            assert _read(link, 3) == b"AT\r"
            link.close()
            link.close()

    def test_the_line_can_be_changed(self, port: PortDriver) -> None:
        link = port.open(baud=9600, framing="8N1")
        link.set_line(baud=57600)
        link.set_line(framing="8N2")
        link.write(b"x")

        assert _read(link, 1) == b"x"
        link.close()

    def test_what_goes_away_is_told_to_whoever_holds_it_and_has_no_name(
        self, port: PortDriver, unplug: Callable[[], None]
    ) -> None:
        link = port.open(baud=115200, framing="8N1")
        unplug()

        with pytest.raises(LinkLostError):
            _until_lost(link)
        link.close()
        assert port.node() is None

    def test_closing_the_driver_may_be_done_twice(self, port: PortDriver) -> None:
        port.close()
        port.close()


def _read(link: Link, count: int) -> bytes:
    data = b""
    until_s = time.monotonic() + _LONGEST_S
    while len(data) < count and time.monotonic() < until_s:
        data += link.read(0.1)
    return data


def _until_lost(link: Link) -> None:
    until_s = time.monotonic() + _LONGEST_S
    while time.monotonic() < until_s:
        link.read(0.05)
        link.write(b"x")
