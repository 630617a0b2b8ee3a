"""A USB device by its files: on a made tree, and by udev's own library on that tree as /sys."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.bench.drivers.usb_sysfs import UsbOptions, UsbSysfs
from hil.errors import BenchUnfitError

from .made_device import MadeDevice

TOP = Path(__file__).parents[4]
FILES = {
    "idVendor": "ffff",
    "idProduct": "0001",
    "serial": "A1",
    "authorized": "1",
    "power/control": "on",
    "power/autosuspend_delay_ms": "2000",
    "power/runtime_status": "active",
    "uevent": "DEVTYPE=usb_device\nPRODUCT=ffff/1/100\nMAJOR=189\nMINOR=1",
}


@pytest.fixture
def device(tmp_path: Path) -> Path:
    """The files of a device at 1-1.2, as the kernel has them."""
    folder = tmp_path / "sys/devices/usb1/1-1/1-1.2"
    for name, text in FILES.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_text(f"{text}\n")
    bus = tmp_path / "sys/bus/usb"
    (bus / "devices").mkdir(parents=True)
    (folder / "subsystem").symlink_to(bus)
    (bus / "devices/1-1.2").symlink_to(folder)
    return folder


class TestSysfs(MadeDevice):
    """On a made tree; what is written to it is what the kernel would be told."""

    @pytest.fixture
    def usb(self, device: Path, tmp_path: Path) -> UsbSysfs:
        del device
        return UsbSysfs(UsbOptions(path="1-1.2", root=str(tmp_path / "sys")), "usb")

    @pytest.fixture
    def unplug(self, device: Path, tmp_path: Path) -> Callable[[], None]:
        def unplug() -> None:
            (tmp_path / "sys/bus/usb/devices/1-1.2").unlink()

        del device
        return unplug

    @pytest.mark.parametrize("status", ["suspending", "suspended", "resuming", "active"])
    def test_what_the_kernel_says_of_its_sleep_is_told(
        self, usb: UsbSysfs, device: Path, status: str
    ) -> None:
        (device / "power/runtime_status").write_text(f"{status}\n")

        assert usb.status() == status

    def test_its_ports_are_found_by_interface_for_both_kinds_of_driver(
        self, usb: UsbSysfs, device: Path
    ) -> None:
        (device / "1-1.2:1.0/ttyUSB4").mkdir(parents=True)
        (device / "1-1.2:1.2/tty/ttyACM1").mkdir(parents=True)

        assert [usb.device.tty(number) for number in range(3)] == ["ttyUSB4", None, "ttyACM1"]


def test_a_host_without_a_bus_is_told(tmp_path: Path) -> None:
    with pytest.raises(BenchUnfitError, match="usb: .*is not there"):
        UsbSysfs(UsbOptions(path="1-1.2", root=str(tmp_path)), "usb")


BY_UDEV = """
import sys
sys.path.insert(0, sys.argv[1])
from hil.bench.drivers.usb_udev import UsbUdev, UsbUdevOptions
from hil.errors import BenchUnfitError
usb = UsbUdev(UsbUdevOptions(serial="A1"), "usb")
usb.allow_suspend(True, after_s=1.5)
print(usb.status(), usb.check(), usb.wait_for_news(0), sep="|")
try:
    UsbUdev(UsbUdevOptions(serial="none"), "usb")
except BenchUnfitError as error:
    print(error)
"""


def under_udev(device: Path, sys_folder: Path, *command: str) -> subprocess.CompletedProcess[str]:
    """Run Python with *command* where udev's own library takes the made tree for the kernel's."""
    wrapped = ["bwrap", "--dev-bind", "/", "/", "--bind", str(sys_folder), "/sys"]
    wrapped += ["--setenv", "SYSTEMD_DEVICE_VERIFY_SYSFS", "0", sys.executable, *command]
    device_link = sys_folder / "bus/usb/devices/1-1.2"
    device_link.unlink()
    device_link.symlink_to("../../../devices/usb1/1-1/1-1.2")
    (device / "subsystem").unlink()
    (device / "subsystem").symlink_to("../../../../bus/usb")
    return subprocess.run(wrapped, check=False, capture_output=True, text=True, timeout=60, cwd=TOP)


@pytest.mark.slow
def test_the_driver_by_udev_keeps_the_contract(device: Path, tmp_path: Path) -> None:
    contract = str(Path(__file__).with_name("udev_contract.py"))
    result = under_udev(
        device,
        tmp_path / "sys",
        "-m",
        "pytest",
        "-q",
        "-p",
        "no:cacheprovider",
        "-o",
        "addopts=--import-mode=importlib",
        contract,
    )

    assert "5 passed" in result.stdout, result.stdout + result.stderr


@pytest.mark.slow
def test_udev_finds_a_device_by_its_serial_number(device: Path, tmp_path: Path) -> None:
    result = under_udev(device, tmp_path / "sys", "-c", BY_UDEV, str(TOP))

    assert result.stdout.splitlines() == [
        "active|ffff:0001 at 1-1.2, active|None",
        (
            "the bench is not fit: usb: no USB device has the serial number 'none' (there are A1); "
            "switch the module on, or name it by path"
        ),
    ], result.stderr
    assert (device / "power/control").read_text() == "auto\n"
