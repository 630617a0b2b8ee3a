"""What the host's kernel says of the bus, and what it calls things; words of Linux, from memory."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from simulator.host.kernel_log import BOOTED
from simulator.model import Model

Build = Callable[..., Model]

FOUND = [
    BOOTED,
    "usb 1-1: new high-speed USB device number 2 using xhci_hcd",
    "usb 1-1: New USB device found, idVendor=ffff, idProduct=0001, bcdDevice= 1.00",
    "usb 1-1: New USB device strings: Mfr=1, Product=2, SerialNumber=3",
    "usb 1-1: Product: TARN-L4",
    "usb 1-1: Manufacturer: Tarnworks",
    "usb 1-1: SerialNumber: 0123456789ABCDEF",
    *(
        text
        for number in range(4)
        for text in (
            f"usbserial_generic 1-1:1.{number}: generic converter detected",
            f"usb 1-1: generic converter now attached to ttyUSB{number}",
        )
    ),
]


def since(model: Model, count: int) -> list[str]:
    return model.kernel_log.texts[count:]


@pytest.fixture
def model(build: Build) -> Model:
    """The module is on the bus."""
    return build(start={"module": "ready"})


def test_an_attachment_is_told_step_by_step(model: Model) -> None:
    assert model.kernel_log.texts == FOUND


def test_a_detachment_is_told_before_what_follows_from_it(model: Model) -> None:
    model.supply.turn(on=False)
    model.timeline.run_until(1_000_000_000)

    assert since(model, len(FOUND)) == [
        "usb 1-1: USB disconnect, device number 2",
        *(
            text
            for number in range(4)
            for text in (
                f"generic ttyUSB{number}: generic converter now disconnected from ttyUSB{number}",
                f"usbserial_generic 1-1:1.{number}: device disconnected",
            )
        ),
    ]


def test_a_device_that_comes_back_has_another_number(model: Model) -> None:
    model.module.show_composition(1)
    model.timeline.run_until(20_000_000_000)
    told = since(model, len(FOUND))

    assert told[0] == "usb 1-1: USB disconnect, device number 2"
    assert "usb 1-1: new high-speed USB device number 3 using xhci_hcd" in told


def test_a_resume_that_fails_is_told_with_the_reset(build: Build) -> None:
    model = build(module={"unit": {"usb": {"resume_fails": 1.0}}}, start={"module": "ready"})
    power = model.module.usb_power
    power.set_control("auto")
    model.timeline.run_until(5_000_000_000)
    power.set_control("on")
    model.timeline.run_until(6_000_000_000)
    told = since(model, len(FOUND))

    assert told[:2] == [
        "usb 1-1: can't resume, status -71",
        "usb 1-1: reset high-speed USB device number 2 using xhci_hcd",
    ]
    assert told[-1] == "usb 1-1: generic converter now attached to ttyUSB3"


def test_ports_have_the_names_that_udev_gives_them(model: Model) -> None:
    at = model.module.ports["at"]

    assert model.usb_bus.link_names(at) == [
        "by-id/usb-Tarnworks_TARN-L4_0123456789ABCDEF-if03-port0",
        "by-path/platform-usb-usb-0:1:1.3-port0",
    ]
    uart = model.module.uart
    assert uart is not None
    assert model.usb_bus.link_names(uart) == []


def test_an_adaptor_that_is_pulled_out_is_told_once(build: Build) -> None:
    model = build(adaptor={"ports": 2})
    count = len(model.kernel_log.texts)
    model.adaptor.move(ports=0)
    told = since(model, count)

    assert told[0] == "usb 1-2: USB disconnect, device number 2"
    assert sum("USB disconnect" in text for text in told) == 1
    assert len(told) == 5
