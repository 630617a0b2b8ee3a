"""A port of the module by its USB interface: whatever number the host has given it this time."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, ClassVar

from pydantic import Field

from hil.errors import BenchUnfitError

from .contracts import DriverOptions, Link, LinkLostError, PortDriver
from .serial_port import CURES, SerialLink
from .usb_sysfs import UsbDevice, UsbOptions

if TYPE_CHECKING:
    from collections.abc import Collection


class UsbPortOptions(UsbOptions):
    """The device's place, the number of the port's interface, and where the device nodes are."""

    interface: Annotated[int, Field(ge=0, le=31)]
    dev: str = "/dev"

    def resources(self) -> Collection[str]:
        """The interface at its place."""
        return [f"usb:{self.root}:{self.path}:{self.interface}"]


class UsbPort(PortDriver):
    """One serial interface of the device at a place on the bus."""

    Options: ClassVar[type[DriverOptions]] = UsbPortOptions

    def __init__(self, options: UsbPortOptions, part: str) -> None:
        self._device = UsbDevice(options, part)
        self._interface, self._dev, self._part = options.interface, Path(options.dev), part

    def node(self) -> str | None:
        """The host's name for it now; its device node is there too."""
        name = self._device.tty(self._interface)
        return name if name is not None and (self._dev / name).exists() else None

    def open(self, *, baud: int, framing: str) -> Link:
        """Open the node that the interface has now."""
        name = self.node()
        if name is None:
            raise LinkLostError(f"interface {self._interface} is not there")
        try:
            return SerialLink(str(self._dev / name), baud=baud, framing=framing)
        except OSError as error:
            if error.errno in CURES:
                reason, cure = CURES[error.errno]
                raise BenchUnfitError(part=self._part, reason=f"{name}: {reason}", cure=cure) from error
            raise LinkLostError(str(error)) from error

    def check(self) -> str:
        """Which node it is now, and that it can be opened."""
        name = self.node()
        if name is None:
            return f"interface {self._interface} has no port now (is the module on?)"
        self.open(baud=115200, framing="8N1").close()
        return f"interface {self._interface} is {name} and can be opened"

    def close(self) -> None:
        """There is nothing to let go of."""
