"""What every `UsbDriver` keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from hil.errors import PartMissingError

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import UsbDriver


class UsbContract:
    """Inherit as `Test…`; provide `usb`, of a device that is there and active, and:

    *power*: the texts of its files `control` and `autosuspend_delay_ms`; *cycles*: how often it was taken off
    the bus; *unplug*: from then on it is not there.
    """

    def test_a_device_that_is_there_is_active(self, usb: UsbDriver) -> None:
        assert usb.status() == "active"
        assert usb.check()

    def test_suspend_is_allowed_and_forbidden(
        self, usb: UsbDriver, power: Callable[[], tuple[str, str]]
    ) -> None:
        usb.allow_suspend(True, after_s=1.5)
        allowed = power()
        usb.allow_suspend(False, after_s=2.0)

        assert (allowed, power()) == (("auto", "1500"), ("on", "2000"))

    def test_a_cycle_takes_it_off_the_bus_once(self, usb: UsbDriver, cycles: Callable[[], int]) -> None:
        usb.cycle()

        assert cycles() == 1

    def test_one_that_is_away_is_absent_and_cannot_be_told_anything(
        self, usb: UsbDriver, unplug: Callable[[], None]
    ) -> None:
        unplug()

        assert usb.status() == "absent"
        for action in (usb.cycle, lambda: usb.allow_suspend(True, after_s=1)):
            with pytest.raises(PartMissingError):
                action()

    def test_closing_may_be_done_twice(self, usb: UsbDriver) -> None:
        usb.close()
        usb.close()
