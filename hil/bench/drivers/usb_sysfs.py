"""One USB device by its place on the bus, through Linux's files below /sys/bus/usb.

Files: Documentation/ABI/testing/sysfs-bus-usb (authorized, power/*), from memory.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar, Final

from pydantic import Field

from hil.errors import PartMissingError

from .contracts import DriverOptions, UsbDriver
from .faults import unfit

# What `power/runtime_status` may say of a device that is there.
_STATUS: Final = {"active", "suspending", "suspended", "resuming"}

if TYPE_CHECKING:
    from collections.abc import Collection


class UsbOptions(DriverOptions):
    """A device by its *path* on the bus (bus-port.port), the same whatever is plugged in first."""

    path: Annotated[str, Field(pattern=r"^\d+-\d+(\.\d+)*$")]
    root: str = "/sys"

    def resources(self) -> Collection[str]:
        """The place on the bus."""
        return [f"usb:{self.root}:{self.path}"]


class UsbDevice:
    """The files of one device; whether it is there is asked anew each time."""

    def __init__(self, options: UsbOptions, part: str) -> None:
        self.part = part
        self.folder = Path(options.root) / "bus" / "usb" / "devices" / options.path

    @property
    def is_there(self) -> bool:
        """Whether the device is on the bus."""
        return (self.folder / "idVendor").exists()

    def identity(self) -> str:
        """Vendor and product, as `ffff:0001`."""
        return f"{self.read('idVendor')}:{self.read('idProduct')}"

    def tty(self, interface: int) -> str | None:
        """The name of the serial port of an interface by its number; None while it has none."""
        try:
            folders = list(self.folder.glob(f"{self.folder.name}:*.{interface}"))
            names = sorted(
                path.name
                for folder in folders
                for path in (*folder.glob("ttyUSB*"), *folder.glob("tty/ttyACM*"))
            )
        except OSError:  # it goes while we look
            return None
        return names[0] if names else None

    def read(self, name: str) -> str:
        """The text of one file."""
        try:
            return (self.folder / name).read_text().strip()
        except OSError as error:
            raise unfit(self.part, str(self.folder / name), error) from error

    def write(self, name: str, text: str) -> None:
        """Write one file."""
        try:
            (self.folder / name).write_text(f"{text}\n")
        except OSError as error:
            raise unfit(self.part, str(self.folder / name), error) from error


class UsbSysfs(UsbDriver):
    """The module on the host's bus."""

    Options: ClassVar[type[DriverOptions]] = UsbOptions

    def __init__(self, options: UsbOptions, part: str) -> None:
        self.device = UsbDevice(options, part)
        bus = self.device.folder.parent
        if not bus.is_dir():
            raise unfit(part, str(bus), FileNotFoundError(2, "no such file"))

    def status(self) -> str:
        """What the host says of the device."""
        if not self.device.is_there:
            return "absent"
        found = self.device.read("power/runtime_status")
        return found if found in _STATUS else "active"

    def allow_suspend(self, allowed: bool, *, after_s: float) -> None:
        """Set its runtime power files; the host forgets them with each enumeration."""
        if not self.device.is_there:
            raise PartMissingError(part="usb", why="the module is not on the bus now: is it on?")
        self.device.write("power/autosuspend_delay_ms", str(round(after_s * 1000)))
        self.device.write("power/control", "auto" if allowed else "on")

    def cycle(self) -> None:
        """Forbid the device and allow it again: the host drops its drivers and configures it anew."""
        if not self.device.is_there:
            raise PartMissingError(part="usb", why="the module is not on the bus now: is it on?")
        self.device.write("authorized", "0")
        self.device.write("authorized", "1")

    def check(self) -> str:
        """Whether it is there now, and who it is."""
        if not self.device.is_there:
            return f"nothing at {self.device.folder.name} now (is the module on?)"
        return f"{self.device.identity()} at {self.device.folder.name}, {self.status()}"

    def close(self) -> None:
        """There is nothing to let go of."""
