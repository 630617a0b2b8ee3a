"""The host's USB devices as files: `bus/usb`, `bus/usb-serial`, `class/tty` and what they link to.

Names and rules are those of Linux (drivers/usb/core/sysfs.c and drivers/base), from memory; what stands in no
script's way is left out.
"""

from __future__ import annotations

import errno
from functools import partial
from typing import TYPE_CHECKING, Final

from simulator.host.refusal import fault
from simulator.host.usb_bus import DEVICE_DRIVER, DRIVER, SERIAL_DRIVER

from .gpio_tree import number_in
from .sysfs import File, Folder, Link, fixed, folder, text

if TYPE_CHECKING:
    from simulator.host.usb_bus import UsbBus, UsbNode
    from simulator.module.port import Port

    from .sysfs import Node

# The bus's controller, and the major number of USB serial ports (admin-guide/devices.rst).
_CONTROLLER: Final = "devices/platform/usb"
_TTY_MAJOR: Final = 188


class UsbFiles:
    """The files of one bus."""

    def __init__(self, bus: UsbBus) -> None:
        self._bus = bus
        self._power = bus.module.usb_power
        self.devices = Folder(self._on_controller)
        self.bus = fixed(
            devices=Folder(self._device_links),
            drivers=folder({DEVICE_DRIVER: self._driver(DEVICE_DRIVER), DRIVER: self._driver(DRIVER)}),
        )
        drivers = folder({SERIAL_DRIVER: Folder(partial(self._port_links, "../../../.."))})
        self.serial = fixed(devices=Folder(partial(self._port_links, "../../..")), drivers=drivers)
        self.tty = Folder(self._tty_links)

    # -- links --------------------------------------------------------------------

    @property
    def _root(self) -> str:
        return f"usb{self._bus.number}"

    def _interfaces(self, node: UsbNode) -> list[tuple[str, Port]]:
        """Those that the host sees: of a device that has a configuration."""
        if node is self._bus.own and not self._bus.is_configured:
            return []
        return [(node.interface(place), port) for place, port in enumerate(node.ports)]

    def _device_links(self) -> dict[str, Node]:
        at = f"../../../{_CONTROLLER}/{self._root}"
        links: dict[str, Node] = {self._root: Link(at)}
        for node in self._bus.present:
            links[node.path] = Link(f"{at}/{node.path}")
            for name, _ in self._interfaces(node):
                links[name] = Link(f"{at}/{node.path}/{name}")
        return links

    def _ports(self) -> list[tuple[str, str]]:
        """Each serial port that is there: its name, and where its device stands."""
        return [
            (port.node, f"{_CONTROLLER}/{self._root}/{node.path}/{name}/{port.node}")
            for node in self._bus.present
            for name, port in self._interfaces(node)
            if port.is_present
        ]

    def _port_links(self, up: str) -> dict[str, Node]:
        return {name: Link(f"{up}/{place}") for name, place in self._ports()}

    def _tty_links(self) -> dict[str, Node]:
        return {name: Link(f"../../{place}/tty/{name}") for name, place in self._ports()}

    # -- devices ------------------------------------------------------------------

    def _on_controller(self) -> dict[str, Node]:
        root: dict[str, Node] = {
            "busnum": text(str(self._bus.number)),
            "devnum": text("1"),
            "subsystem": Link("../../../../bus/usb"),
            **{node.path: folder(self._device(node)) for node in self._bus.present},
        }
        return {self._root: folder(root)}

    def _device(self, node: UsbNode) -> dict[str, Node]:
        identity = node.identity
        assert identity is not None  # noqa: S101 # it is present
        count = len(node.ports)
        files: dict[str, Node] = {
            "bDeviceClass": text("00"),
            "bMaxPacketSize0": text("64"),
            "bNumConfigurations": text("1"),
            "bNumInterfaces": File(read=lambda: f"{count:2d}" if self._interfaces(node) else ""),
            "bcdDevice": text("0100"),
            "busnum": text(str(self._bus.number)),
            "devnum": text(str(node.number)),
            "devpath": text(node.path.partition("-")[2]),
            "idProduct": text(identity.product_id),
            "idVendor": text(identity.vendor_id),
            "manufacturer": text(identity.manufacturer),
            "maxchild": text("0"),
            "product": text(identity.product),
            "serial": text(identity.serial),
            "speed": text("480" if node is self._bus.own else "12"),
            "subsystem": Link("../../../../../bus/usb"),
            "uevent": text(
                f"DEVTYPE=usb_device\nDRIVER={DEVICE_DRIVER}\n"
                f"PRODUCT={identity.vendor_id}/{identity.product_id}/100\nTYPE=0/0/0\n"
                f"BUSNUM={self._bus.number:03d}\nDEVNUM={node.number:03d}"
            ),
            "version": text(" 2.00"),
        }
        if node is self._bus.own:
            files |= self._controls()
        else:
            files |= {"authorized": text("1"), "bConfigurationValue": text("1")}
        for place, (name, port) in enumerate(self._interfaces(node)):
            files[name] = folder(self._interface(place, port))
        return files

    def _controls(self) -> dict[str, Node]:
        """What can be done to the module's device."""
        bus = self._bus
        files: dict[str, Node] = {
            "authorized": File(read=lambda: str(int(bus.is_authorized)), write=self._authorize),
            "bConfigurationValue": File(
                read=lambda: "1" if bus.is_configured else "", write=self._set_configuration
            ),
            "power": Folder(self._power_files),
        }
        if bus.is_driven:
            files["driver"] = Link(f"../../../../../bus/usb/drivers/{DEVICE_DRIVER}")
        return files

    def _interface(self, place: int, port: Port) -> dict[str, Node]:
        at = "../../../../../.."
        files: dict[str, Node] = {
            "bAlternateSetting": text(" 0"),
            "bInterfaceClass": text("ff"),
            "bInterfaceNumber": text(f"{place:02x}"),
            "bInterfaceProtocol": text("ff"),
            "bInterfaceSubClass": text("ff"),
            "bNumEndpoints": text("03"),
            "subsystem": Link(f"{at}/bus/usb"),
            "uevent": text("DEVTYPE=usb_interface" + (f"\nDRIVER={DRIVER}" if port.is_present else "")),
        }
        if port.is_present:
            files["driver"] = Link(f"{at}/bus/usb/drivers/{DRIVER}")
            files[port.node] = fixed(
                driver=Link(f"{at}/../bus/usb-serial/drivers/{SERIAL_DRIVER}"),
                port_number=text("0"),
                subsystem=Link(f"{at}/../bus/usb-serial"),
                tty=folder({port.node: self._tty(port)}),
            )
        return files

    @staticmethod
    def _tty(port: Port) -> Folder:
        number = f"{_TTY_MAJOR}:{port.node.lstrip('abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ')}"
        major, _, minor = number.partition(":")
        return fixed(
            dev=text(number),
            device=Link(f"../../../{port.node}"),
            subsystem=Link("../../../../../../../../../class/tty"),
            uevent=text(f"MAJOR={major}\nMINOR={minor}\nDEVNAME={port.node}"),
        )

    # -- what is written ------------------------------------------------------------

    def _authorize(self, written: str) -> None:
        wanted = _integer(written)
        self._bus.authorize(on=wanted != 0)

    def _set_configuration(self, written: str) -> None:
        wanted = _integer(written)
        if wanted not in (-1, 0, 1):
            raise fault(errno.EINVAL)
        if not self._bus.is_authorized and wanted > 0:
            raise fault(errno.EHOSTUNREACH)
        self._bus.configure(on=wanted > 0)

    def _driver(self, name: str) -> Folder:
        """A driver: what it has, and how to give it something or take it."""
        act = {DEVICE_DRIVER: self._drive_device, DRIVER: self._drive_interface}[name]

        def entries() -> dict[str, Node]:
            bus = self._bus
            at = f"../../../../{_CONTROLLER}/{self._root}"
            links: dict[str, Node] = {}
            for node in bus.present:
                if name == DEVICE_DRIVER and (node is not bus.own or bus.is_driven):
                    links[node.path] = Link(f"{at}/{node.path}")
                elif name == DRIVER:
                    links |= {
                        each: Link(f"{at}/{node.path}/{each}")
                        for each, port in self._interfaces(node)
                        if port.is_present
                    }
            return {
                "bind": File(write=partial(act, on=True)),
                "uevent": File(write=lambda _: None),
                "unbind": File(write=partial(act, on=False)),
                **links,
            }

        return Folder(entries)

    def _drive_device(self, written: str, *, on: bool) -> None:
        bus = self._bus
        if written.rstrip("\n") != bus.own.path or bus.own.identity is None:
            raise fault(errno.ENODEV)
        if on is bus.is_driven:
            raise fault(errno.EBUSY if on else errno.ENODEV)
        bus.drive(on=on)

    def _drive_interface(self, written: str, *, on: bool) -> None:
        name = written.rstrip("\n")
        if on:
            self._bus.bind(name)
        else:
            self._bus.unbind(name)

    # -- power ----------------------------------------------------------------------

    def _power_files(self) -> dict[str, Node]:
        values = self._power.values()
        writes = {
            "control": self._set_control,
            "level": self._set_control,
            "autosuspend_delay_ms": lambda written: self._power.set_delay_ms(_integer(written)),
            "autosuspend": lambda written: self._power.set_delay_ms(1000 * _integer(written)),
            "persist": self._set_persist,
        }
        return {
            name: File(read=lambda value=value: value, write=writes.get(name))  # type: ignore[misc] # a default captures
            for name, value in values.items()
        }

    def _set_control(self, written: str) -> None:
        match written.removesuffix("\n"):
            case "on":
                self._power.set_control("on")
            case "auto":
                self._power.set_control("auto")
            case _:
                raise fault(errno.EINVAL)

    def _set_persist(self, written: str) -> None:
        if _integer(written) not in (0, 1):
            raise fault(errno.EINVAL)


def _integer(written: str) -> int:
    """A number of 32 bits with a sign; EINVAL for another text, ERANGE for another number."""
    number = number_in(written)
    if not -(2**31) <= number < 2**31:
        raise fault(errno.ERANGE)
    return number
