"""USB, host and what is around a hardware bench."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.bench.interface import Host, Surroundings, Usb
from hil.errors import PartMissingError

if TYPE_CHECKING:
    from hil.bench.drivers.contracts import HostDriver, Ran, UsbDriver
    from hil.bench.interface import Movable
    from simulator.kernel.recorder import Value

    from .events import Events
    from .gone import Gone
    from .station import Station


class HardwareUsb(Usb):
    """The module on the host's bus."""

    def __init__(self, station: Station, *, events: Events, gone: Gone) -> None:
        self._driver, self._events, self._gone = station.usb, events, gone

    def allow_suspend(self, allowed: bool, *, after_s: float = 2.0) -> None:
        """Let the host suspend the device, or never."""
        self._device().allow_suspend(allowed, after_s=after_s)
        self._events.record("host/usb", "set", allow_suspend=allowed, after_s=after_s)

    def status(self) -> str:
        """What the host says of the device."""
        return self._device().status()

    def cycle(self) -> None:
        """Take the device off the bus and on again."""
        self._gone.did()
        self._events.record("host/usb", "cycle")
        self._device().cycle()

    def _device(self) -> UsbDriver:
        if self._driver is None:
            raise PartMissingError(part="usb", why="the bench file has no [drivers.usb]")
        return self._driver


class HardwareHost(Host):
    """The small computer by its shell."""

    def __init__(self, station: Station, *, events: Events, gone: Gone) -> None:
        self._driver, self._events, self._gone = station.host, events, gone

    def reboot(self) -> None:
        """Boot, and return once there is a shell again."""
        self._gone.did()
        self._events.record("host/power", "reboot")
        self.shell().reboot()
        self._events.record("host/power", "up")

    def run(self, command: str, *, timeout_s: float) -> Ran:
        """Run a command line there."""
        return self.shell().run(command, timeout_s=timeout_s)

    def shell(self) -> HostDriver:
        """Its driver."""
        if self._driver is None:
            raise PartMissingError(part="host", why="the bench file has no [drivers.host]")
        return self._driver


class HardwareSurroundings(Surroundings):
    """The level of the cell, where an attenuator lies between."""

    def __init__(self, station: Station, *, events: Events) -> None:
        self._driver, self._events = station.attenuator, events
        self._section = station.description.file.attenuator
        self._rsrp_dbm = station.description.file.network.rsrp_dbm

    def move(self, part: Movable, **settings: Value) -> None:
        """Set `rsrp_dbm`, or `present` (False: as far away as the attenuator can make it)."""
        if part != "network" or self._driver is None or self._section is None:
            raise PartMissingError(part=f"surroundings:{part}", why="this bench cannot move it")
        others = sorted(set(settings) - {"present", "rsrp_dbm"})
        if others:
            raise PartMissingError(
                part=f"surroundings:network {', '.join(others)}",
                why="an attenuator moves present and rsrp_dbm only",
            )
        section = self._section
        rsrp_dbm = float(settings.get("rsrp_dbm") or self._rsrp_dbm)
        wanted_db = section.rsrp_at_0_db - rsrp_dbm
        if settings.get("present", True) is False:
            wanted_db = section.max_db
        elif not 0 <= wanted_db <= section.max_db:
            weakest_dbm = section.rsrp_at_0_db - section.max_db
            raise PartMissingError(
                part=f"surroundings:network rsrp_dbm {rsrp_dbm:g}",
                why=f"its attenuator makes {section.rsrp_at_0_db:g} to {weakest_dbm:g} dBm",
            )
        self._rsrp_dbm = rsrp_dbm
        self._driver.set_db(wanted_db)
        self._events.record("surroundings/network", "set", **settings)
