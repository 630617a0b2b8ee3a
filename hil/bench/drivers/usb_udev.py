"""One USB device as udev knows it: found by its serial number or path, watched without polling.

Beyond `usb_sysfs` it waits for the kernel's own news of attach and detach.  libudev looks at /sys only.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import Field, model_validator

from hil.errors import BenchUnfitError

from .contracts import DriverOptions
from .table import need
from .usb_sysfs import UsbOptions, UsbSysfs

if TYPE_CHECKING:
    from collections.abc import Collection
    from typing import Self


class UsbUdevOptions(DriverOptions):
    """The device by its *path* on the bus, or by its *serial* number where it has one."""

    path: Annotated[str, Field(pattern=r"^\d+-\d+(\.\d+)*$")] | None = None
    serial: str | None = None

    @model_validator(mode="after")
    def _one_of_them(self) -> Self:
        if (self.path is None) is (self.serial is None):
            raise ValueError("needs either path or serial")
        return self

    def resources(self) -> Collection[str]:
        """The device."""
        return [f"usb:/sys:{self.path or self.serial}"]


class UsbUdev(UsbSysfs):
    """The module on the host's bus, by udev."""

    Options: ClassVar[type[DriverOptions]] = UsbUdevOptions

    def __init__(self, options: UsbUdevOptions, part: str) -> None:
        pyudev: Any = need("pyudev", driver="udev")
        try:
            self._context: Any = pyudev.Context()
        except ImportError as error:  # libudev itself
            raise BenchUnfitError(part=part, reason="libudev is missing", cure="install libudev1") from error
        path = options.path or self._path_of(options.serial or "", part)
        super().__init__(UsbOptions(path=path), part)
        self._monitor: Any = pyudev.Monitor.from_netlink(self._context)
        self._monitor.filter_by(subsystem="usb", device_type="usb_device")
        self._monitor.start()

    def wait_for_news(self, timeout_s: float) -> str | None:
        """`add`, `remove`, `bind`, … of this device within *timeout_s*; None where nothing came."""
        found = self._monitor.poll(timeout=timeout_s)
        return None if found is None or found.sys_name != self.device.folder.name else str(found.action)

    def _path_of(self, serial: str, part: str) -> str:
        known = {}
        for device in self._context.list_devices(subsystem="usb", DEVTYPE="usb_device"):
            text = device.attributes.get("serial")
            known[text.decode("utf-8", "replace") if text else ""] = device.sys_name
        if serial not in known:
            listed = ", ".join(sorted(filter(None, known))) or "none"
            raise BenchUnfitError(
                part=part,
                reason=f"no USB device has the serial number {serial!r} (there are {listed})",
                cure="switch the module on, or name it by path",
            )
        return str(known[serial])
