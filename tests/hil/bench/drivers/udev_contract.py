"""The contract of a `UsbDriver`, kept by the one that asks udev: run where a made tree is bound as /sys."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from hil.bench.drivers.usb_udev import UsbUdev, UsbUdevOptions

from .made_device import MadeDevice

DEVICE = Path("/sys/devices/usb1/1-1/1-1.2")
LINK = Path("/sys/bus/usb/devices/1-1.2")
FRESH = {
    "authorized": "1",
    "power/control": "on",
    "power/autosuspend_delay_ms": "2000",
    "power/runtime_status": "active",
}


class TestUdev(MadeDevice):
    """By its serial number; what is written is what the kernel would be told."""

    @pytest.fixture
    def usb(self) -> UsbUdev:
        for name, text in FRESH.items():
            (DEVICE / name).write_text(f"{text}\n")
        if not LINK.is_symlink():
            LINK.symlink_to("../../../devices/usb1/1-1/1-1.2")
        return UsbUdev(UsbUdevOptions(serial="A1"), "usb")

    @pytest.fixture
    def device(self) -> Path:
        return DEVICE

    @pytest.fixture
    def unplug(self) -> Callable[[], None]:
        return LINK.unlink
