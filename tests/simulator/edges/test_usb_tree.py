"""The host's USB devices as files, and what writing to them does; after drivers/usb/core, from memory."""

from __future__ import annotations

import errno
import posixpath
from collections.abc import Callable

import pytest

from simulator.edges.host_trees import sys_tree
from simulator.model import Model

Build = Callable[..., Model]

DEVICE = "bus/usb/devices/1-1"
DRIVERS = "bus/usb/drivers"
PORTS = ["ttyUSB0", "ttyUSB1", "ttyUSB2", "ttyUSB3"]


class Files:
    """The tree by path texts; links are followed as the kernel would."""

    def __init__(self, model: Model) -> None:
        self.model, self.tree = model, sys_tree(model)

    def real(self, text: str) -> tuple[str, ...]:
        path: tuple[str, ...] = ()
        for name in text.split("/"):
            path = (*path, name)
            while self.tree.entry(path).is_link:
                target = posixpath.normpath("/".join((*path[:-1], self.tree.target(path))))
                assert not target.startswith(".."), path
                path = tuple(target.split("/"))
        return path

    def read(self, text: str) -> str:
        return self.tree.read(self.real(text)).decode().rstrip("\n")

    def write(self, text: str, data: str) -> int:
        return self.tree.write(self.real(text), data.encode())

    def names(self, text: str) -> list[str]:
        return self.tree.names(self.real(text))

    @property
    def nodes(self) -> list[str]:
        return sorted(
            port.node for port in self.model.module.ports.values() if port.is_present and "USB" in port.node
        )


@pytest.fixture
def files(build: Build) -> Files:
    """The module on the bus."""
    return Files(build(start={"module": "ready"}))


def test_the_device_says_what_it_is(files: Files) -> None:
    profile = files.model.settings.profile

    assert files.names("bus/usb/devices") == ["usb1", "1-1", "1-1:1.0", "1-1:1.1", "1-1:1.2", "1-1:1.3"]
    assert files.read(f"{DEVICE}/idVendor") == profile.usb.vendor_id
    assert files.read(f"{DEVICE}/idProduct") == profile.usb.product_id
    assert files.read(f"{DEVICE}/product") == profile.identity.model
    assert [files.read(f"{DEVICE}/{name}") for name in ("busnum", "devnum", "devpath", "speed")] == [
        *("1", "2", "1", "480")
    ]


def test_every_link_leads_somewhere(files: Files) -> None:
    def walk(path: tuple[str, ...]) -> int:
        count = 0
        for name in files.tree.names(path):
            below = (*path, name)
            entry = files.tree.entry(below)
            if entry.is_link:
                target = files.real("/".join(below))
                assert files.tree.entry(target).is_folder, below
                count += 1
            elif entry.is_folder:
                count += walk(below)
        return count

    assert walk(()) > 40


def test_a_port_is_found_by_the_number_of_its_interface(files: Files) -> None:
    numbers = {
        node: files.read("/".join((*files.real(f"class/tty/{node}/device")[:-1], "bInterfaceNumber")))
        for node in files.names("class/tty")
    }

    assert numbers == {"ttyUSB0": "00", "ttyUSB1": "01", "ttyUSB2": "02", "ttyUSB3": "03"}
    assert files.read("class/tty/ttyUSB3/dev") == "188:3"
    assert files.names("bus/usb-serial/drivers/generic") == PORTS


def test_a_module_that_is_off_is_not_there(build: Build) -> None:
    files = Files(build())

    assert files.names("bus/usb/devices") == ["usb1"]
    assert files.names("class/tty") == []


@pytest.mark.parametrize(("file", "off", "on"), [("authorized", "0", "1"), ("bConfigurationValue", "0", "1")])
def test_a_device_without_permission_or_configuration_has_no_ports(
    files: Files, file: str, off: str, on: str
) -> None:
    files.write(f"{DEVICE}/power/control", "auto")
    files.write(f"{DEVICE}/{file}", off)
    without = files.nodes, files.names("bus/usb/devices"), files.read(f"{DEVICE}/bConfigurationValue")
    files.write(f"{DEVICE}/{file}", off)  # again: nothing
    files.write(f"{DEVICE}/{file}", on)

    assert without == ([], ["usb1", "1-1"], "")
    assert files.nodes == PORTS
    assert files.read(f"{DEVICE}/power/control") == "auto"  # the device has not gone


def test_a_driver_gives_and_takes_one_interface_or_the_device(files: Files) -> None:
    files.write(f"{DRIVERS}/usbserial_generic/unbind", "1-1:1.3")
    without_one = files.nodes
    files.write(f"{DRIVERS}/usbserial_generic/bind", "1-1:1.3\n")
    again = files.nodes
    files.write(f"{DRIVERS}/usb/unbind", "1-1")
    without_all = files.nodes, "1-1" in files.names(f"{DRIVERS}/usb")
    files.write(f"{DRIVERS}/usb/bind", "1-1")

    assert (without_one, again, without_all) == (PORTS[:3], PORTS, ([], False))
    assert files.nodes == PORTS


WRONG = [
    (f"{DEVICE}/authorized", "yes", errno.EINVAL),
    (f"{DEVICE}/bConfigurationValue", "2", errno.EINVAL),
    (f"{DEVICE}/bConfigurationValue", "", 0),
    (f"{DEVICE}/power/control", "off", errno.EINVAL),
    (f"{DEVICE}/power/autosuspend_delay_ms", "soon", errno.EINVAL),
    (f"{DEVICE}/power/autosuspend_delay_ms", "99999999999", errno.ERANGE),
    (f"{DEVICE}/power/runtime_status", "active", errno.EACCES),
    (f"{DEVICE}/idVendor", "1234", errno.EACCES),
    (f"{DEVICE}/wakeup", "1", errno.ENOENT),
    (f"{DRIVERS}/usb/bind", "1-1", errno.EBUSY),
    (f"{DRIVERS}/usb/bind", "1-9", errno.ENODEV),
    (f"{DRIVERS}/usb/unbind", "1-9", errno.ENODEV),
    (f"{DRIVERS}/usbserial_generic/bind", "1-1:1.0", errno.EBUSY),
    (f"{DRIVERS}/usbserial_generic/unbind", "1-1:1.9", errno.ENODEV),
    (f"{DRIVERS}/usbserial_generic/unbind", "1-1", errno.ENODEV),
    ("class/tty/ttyUSB9/dev", "1", errno.ENOENT),
]


@pytest.mark.parametrize(("path", "data", "number"), WRONG)
def test_wrong_writes_get_the_kernel_s_error(files: Files, path: str, data: str, number: int) -> None:
    if number == 0:
        assert files.write(path, data) == 0
        return
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        files.write(path, data)

    assert caught.value.errno == number
    assert files.nodes == PORTS


def test_a_device_that_is_not_allowed_takes_no_configuration(files: Files) -> None:
    files.write(f"{DEVICE}/authorized", "0")
    with pytest.raises(OSError) as caught:  # noqa: PT011 # as above
        files.write(f"{DEVICE}/bConfigurationValue", "1")

    assert caught.value.errno == errno.EHOSTUNREACH


def test_power_files_let_the_device_sleep(files: Files) -> None:
    files.write(f"{DEVICE}/power/autosuspend_delay_ms", "500")
    files.write(f"{DEVICE}/power/control", "auto")
    timeline = files.model.timeline
    states = []
    for seconds in (0.4, 0.505, 0.6):
        timeline.run_until(round(seconds * 1e9))
        states.append(files.read(f"{DEVICE}/power/runtime_status"))
    files.write(f"{DEVICE}/power/control", "on")
    timeline.run_until(2_000_000_000)

    assert states == ["active", "suspending", "suspended"]
    assert files.read(f"{DEVICE}/power/runtime_status") == "active"


def test_a_second_device_has_its_own_place_and_number(build: Build) -> None:
    files = Files(build(adaptor={"ports": 2}, start={"module": "ready"}))

    assert [name for name in files.names("bus/usb/devices") if name.startswith("1-2")] == [
        "1-2",
        "1-2:1.0",
        "1-2:1.1",
    ]
    assert files.read("bus/usb/devices/1-2/product") == "Serial Adaptor"
    assert files.read("bus/usb/devices/1-2/devnum") == "2"
    assert files.read(f"{DEVICE}/devnum") == "3"
    assert files.nodes == ["ttyUSB2", "ttyUSB3", "ttyUSB4", "ttyUSB5"]


def test_the_place_on_the_bus_is_the_bench_file_s(build: Build) -> None:
    files = Files(build(host={"usb_path": "2-1.4"}, start={"module": "ready"}))

    assert files.names("bus/usb/devices")[:3] == ["usb2", "2-1.4", "2-1.4:1.0"]
    assert files.read("bus/usb/devices/2-1.4/devpath") == "1.4"
