"""The host's USB bus: devices come and go in; names, numbers, drivers and the kernel's messages out.

Names and words are those of Linux (drivers/usb/core and drivers/usb/serial), from memory.  What files show of
it is an edge's.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simulator.module.usb import UsbState

from .kernel_log import ERROR
from .refusal import fault

if TYPE_CHECKING:
    from simulator.board.host import HostSettings
    from simulator.kernel.machine import Change
    from simulator.module.adaptor import Adaptor
    from simulator.module.module import Module
    from simulator.module.port import Port

    from .kernel_log import KernelLog

# The driver of the device as a whole, and of its interfaces: the generic one of usb-serial.
DEVICE_DRIVER: Final = "usb"
DRIVER: Final = "usbserial_generic"
SERIAL_DRIVER: Final = "generic"
CONTROLLER: Final = "xhci_hcd"
# What many devices say where a number of their own ought to be (common practice, no source).
_SERIAL: Final = "0123456789ABCDEF"
# A serial adaptor beside the module, invented.
_ADAPTOR_IDENTITY: Final = ("ffff", "0010", "Ashbeck", "Serial Adaptor")


@dataclass(frozen=True, slots=True)
class Identity:
    """What a device says of itself."""

    vendor_id: str
    product_id: str
    manufacturer: str
    product: str
    serial: str = _SERIAL


class UsbNode:
    """One device at its place on the bus (*path*, such as 1-1), with its number and its serial ports.

    `ports` are the interfaces in their order.
    """

    def __init__(self, path: str) -> None:
        self.path = path
        self.number = 0
        self.identity: Identity | None = None
        self.ports: list[Port] = []

    def interface(self, place: int) -> str:
        """The name of one interface: of configuration 1."""
        return f"{self.path}:1.{place}"


class UsbBus:
    """The bus with the module's device, and an adaptor's where one is plugged in.

    `is_authorized` says whether the module's device may be used.
    """

    def __init__(self, host: HostSettings, *, module: Module, adaptor: Adaptor, log: KernelLog) -> None:
        self.module, self.log = module, log
        self.own = UsbNode(host.usb_path)
        bus, _, port = host.usb_path.partition("-")
        self.other = UsbNode(f"{bus}-{int(port.partition('.')[0]) + 1}")
        self.number = int(bus)
        self._last = 1  # the root hub
        self._is_driven = self.is_authorized = True
        module.usb.noticed.listen(self._on_change)
        for role, each in module.ports.items():
            if role in module.profile.usb.roles:
                each.appeared.listen(lambda _, each=each: self._on_appear(self.own, each))  # type: ignore[misc] # a default captures
                each.vanished.listen(lambda _, each=each: self._on_vanish(self.own, each))  # type: ignore[misc] # as above
        self._adaptor = adaptor
        for each in adaptor.ports.values():
            each.appeared.listen(lambda _, each=each: self._on_other(each))  # type: ignore[misc] # as above
            each.vanished.listen(lambda _, each=each: self._on_other_gone(each))  # type: ignore[misc] # as above

    @property
    def present(self) -> list[UsbNode]:
        """The devices that the host knows of."""
        return [node for node in (self.own, self.other) if node.identity is not None]

    def node_of(self, port: Port) -> tuple[UsbNode, int] | None:
        """The device and the number of the interface that a serial port belongs to."""
        for node in self.present:
            if port in node.ports:
                return node, node.ports.index(port)
        return None

    @property
    def is_driven(self) -> bool:
        """Whether the module's device has its driver."""
        return self._is_driven

    def drive(self, *, on: bool) -> None:
        """Give the device as a whole to its driver, or take it: with it goes the configuration."""
        self._is_driven = on
        self.configure(on=on)

    def authorize(self, *, on: bool) -> None:
        """Allow the device to be used, or not: with that goes the configuration."""
        if on is not self.is_authorized:
            self.is_authorized = on
            self.configure(on=on and self._is_driven)

    @property
    def is_configured(self) -> bool:
        """Whether the module's device has a configuration."""
        return self.module.usb.is_bound

    def link_names(self, port: Port) -> list[str]:
        """What udev calls a port below `serial`, after the device and after its place (from memory)."""
        found = self.node_of(port)
        if found is None or found[0].identity is None:
            return []
        node, place = found
        identity = node.identity
        assert identity is not None  # noqa: S101 # as above
        words = f"{identity.manufacturer}_{identity.product}_{identity.serial}".replace(" ", "_")
        at = node.path.partition("-")[2]
        return [
            f"by-id/usb-{words}-if{place:02d}-port0",
            f"by-path/platform-usb-usb-0:{at}:1.{place}-port0",
        ]

    # -- what is done to the module's device -------------------------------------------

    def configure(self, *, on: bool) -> None:
        """Give the device its configuration, or take it: with it go the drivers of its interfaces."""
        device = self.module.usb
        if on and device.state is UsbState.ADDRESS:
            device.configure("host")
        elif not on and device.is_bound:
            device.unconfigure("host")

    def unbind(self, interface: str) -> None:
        """Take an interface from its driver; ENODEV where it has none."""
        port = self._interface(interface)
        if not port.is_present:
            raise fault(errno.ENODEV)
        self.module.unbind(port.role)

    def bind(self, interface: str) -> None:
        """Give it to its driver; ENODEV where there is no such thing, EBUSY where it has it."""
        port = self._interface(interface)
        if port.is_present:
            raise fault(errno.EBUSY)
        self.module.bind(port.role)

    def _interface(self, name: str) -> Port:
        if self.is_configured:
            for place, port in enumerate(self.own.ports):
                if self.own.interface(place) == name:
                    return port
        raise fault(errno.ENODEV)

    # -- what happens on the bus --------------------------------------------------------

    def _on_change(self, change: Change[UsbState]) -> None:
        device, node = self.module.usb, self.own
        match change.after:
            case UsbState.DEFAULT if change.before is UsbState.ATTACHED:
                self._last += 1
                node.number = self._last
                self._say(node, f"new high-speed USB device number {node.number} using {CONTROLLER}")
            case UsbState.DEFAULT:
                if change.before is UsbState.RESUMING:
                    self._say(node, "can't resume, status -71", priority=ERROR)  # EPROTO
                self._say(node, f"reset high-speed USB device number {node.number} using {CONTROLLER}")
            case UsbState.ADDRESS if node.identity is None:
                profile, composition = self.module.profile, device.composition
                identity = profile.identity
                node.ports = [self.module.ports[role] for role in composition.ports]
                self._find(
                    node,
                    Identity(
                        device.profile.vendor_id,
                        composition.product_id,
                        identity.manufacturer,
                        identity.model,
                    ),
                )
            case UsbState.DETACHED:
                self._lose(node)

    def _find(self, node: UsbNode, identity: Identity) -> None:
        node.identity = identity
        if node is self.own:
            self._is_driven = self.is_authorized = True
        self._say(
            node,
            f"New USB device found, idVendor={identity.vendor_id}, idProduct={identity.product_id}, "
            "bcdDevice= 1.00",
        )
        self._say(node, "New USB device strings: Mfr=1, Product=2, SerialNumber=3")
        self._say(node, f"Product: {identity.product}")
        self._say(node, f"Manufacturer: {identity.manufacturer}")
        self._say(node, f"SerialNumber: {identity.serial}")

    def _lose(self, node: UsbNode) -> None:
        if node.identity is not None:
            self._say(node, f"USB disconnect, device number {node.number}")
            node.identity = None

    def _on_appear(self, node: UsbNode, port: Port) -> None:
        place = node.ports.index(port) if port in node.ports else 0
        self.log.say(f"{DRIVER} {node.interface(place)}: {SERIAL_DRIVER} converter detected")
        self._say(node, f"{SERIAL_DRIVER} converter now attached to {port.node}")

    def _on_vanish(self, node: UsbNode, port: Port) -> None:
        place = node.ports.index(port) if port in node.ports else 0
        gone = f"{SERIAL_DRIVER} converter now disconnected from {port.node}"
        self.log.say(f"{SERIAL_DRIVER} {port.node}: {gone}")
        self.log.say(f"{DRIVER} {node.interface(place)}: device disconnected")

    def _on_other(self, port: Port) -> None:
        node = self.other
        if node.identity is None:
            self._last += 1
            node.number = self._last
            self._say(node, f"new full-speed USB device number {node.number} using {CONTROLLER}")
            node.ports = list(self._adaptor.ports.values())[: self._adaptor.settings.ports]
            self._find(node, Identity(*_ADAPTOR_IDENTITY))
        self._on_appear(node, port)

    def _on_other_gone(self, port: Port) -> None:
        self._lose(self.other)
        self._on_vanish(self.other, port)

    def _say(self, node: UsbNode, text: str, *, priority: int = 6) -> None:
        self.log.say(f"usb {node.path}: {text}", priority=priority)
