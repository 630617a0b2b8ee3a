"""Structures and numbers of linux/gpio.h, as a C compiler has them."""

from __future__ import annotations

import struct

import pytest

from simulator.host import gpio_records as records
from simulator.host import line_config as flag
from simulator.host.gpio_chip import InfoChanged, LineEvent, LineInfo
from simulator.host.line_config import LineConfig

# The uapi header of Linux 6.1 (GPL-2.0 WITH Linux-syscall-note), evaluated by gcc on x86-64: name, number.
NUMBERS = {
    "GPIO_GET_CHIPINFO_IOCTL": (records.CHIP_INFO, 0x8044B401),
    "GPIO_GET_LINEINFO_IOCTL": (records.LINE_INFO_1, 0xC048B402),
    "GPIO_GET_LINEHANDLE_IOCTL": (records.HANDLE_1, 0xC16CB403),
    "GPIO_GET_LINEEVENT_IOCTL": (records.EVENT_1, 0xC030B404),
    "GPIO_V2_GET_LINEINFO_IOCTL": (records.LINE_INFO, 0xC100B405),
    "GPIO_V2_GET_LINEINFO_WATCH_IOCTL": (records.WATCH, 0xC100B406),
    "GPIO_V2_GET_LINE_IOCTL": (records.LINES, 0xC250B407),
    "GPIOHANDLE_GET_LINE_VALUES_IOCTL": (records.GET_1, 0xC040B408),
    "GPIOHANDLE_SET_LINE_VALUES_IOCTL": (records.SET_1, 0xC040B409),
    "GPIOHANDLE_SET_CONFIG_IOCTL": (records.CONFIG_1, 0xC054B40A),
    "GPIO_GET_LINEINFO_WATCH_IOCTL": (records.WATCH_1, 0xC048B40B),
    "GPIO_GET_LINEINFO_UNWATCH_IOCTL": (records.UNWATCH, 0xC004B40C),
    "GPIO_V2_LINE_SET_CONFIG_IOCTL": (records.CONFIG, 0xC110B40D),
    "GPIO_V2_LINE_GET_VALUES_IOCTL": (records.GET, 0xC010B40E),
    "GPIO_V2_LINE_SET_VALUES_IOCTL": (records.SET, 0xC010B40F),
}
INFO = LineInfo(84, "MODEM_KEY", "mine", flag.USED | flag.INPUT | flag.RISING, 1500)


@pytest.mark.parametrize("name", NUMBERS)
def test_numbers_are_those_of_the_header(name: str) -> None:
    own, theirs = NUMBERS[name]

    assert own == theirs


def config(flags: int, *attributes: tuple[int, int, int]) -> bytes:
    return struct.pack("=QI20x", flags, len(attributes)) + b"".join(
        struct.pack("=IIQQ", kind, 0, value, mask) for kind, value, mask in attributes
    ).ljust(240, b"\0")


def test_of_each_attribute_the_first_that_names_a_line_counts() -> None:
    data = config(
        flag.INPUT, (1, flag.OUTPUT, 0b010), (2, 0b010, 0b010), (3, 7, 0b100), (1, flag.OUTPUT, 0b110)
    )

    assert records.read_configs(data, 3) == [
        LineConfig(flag.INPUT),
        LineConfig(flag.OUTPUT, output=True),
        LineConfig(flag.OUTPUT, debounce_us=7),
    ]


@pytest.mark.parametrize(
    "data",
    [
        struct.pack("=QI", flag.INPUT, 11).ljust(272, b"\0"),
        struct.pack("=QII", flag.INPUT, 0, 1).ljust(272, b"\0"),
    ],
)
def test_a_configuration_that_cannot_be_is_refused(data: bytes) -> None:
    with pytest.raises(OSError, match="EINVAL"):
        records.read_configs(data, 1)


def test_requests_are_read_in_both_versions() -> None:
    second = (
        struct.pack("=64I32s", 84, 85, *[0] * 62, b"mine")
        + config(flag.OUTPUT, (2, 0b10, 0b11))
        + struct.pack("=II24x", 2, 40)
    )
    first = struct.pack("=64II64B32sIi", 84, *[0] * 63, 0x02, 1, *[0] * 63, b"mine", 1, 0)
    event = struct.pack("=III32sI", 84, 0x01, 3, b"mine", 0)

    assert records.read_lines(second) == records.Wanted(
        [(84, LineConfig(flag.OUTPUT)), (85, LineConfig(flag.OUTPUT, output=True))], "mine", 40
    )
    assert records.read_handle(first) == records.Wanted([(84, LineConfig(flag.OUTPUT, output=True))], "mine")
    assert records.read_event(event) == records.Wanted(
        [(84, LineConfig(flag.INPUT | flag.RISING | flag.FALLING))], "mine"
    )
    assert [records.size_of(number) for number in records.READERS] == [len(second), len(first), len(event)]


def test_what_is_told_has_the_header_s_sizes_and_places() -> None:
    info = records.info_record(INFO)
    news = InfoChanged(INFO, 5, "released")

    assert (len(info), struct.unpack_from("=32s32sIIQIIQ", info)[2:]) == (
        256,
        (84, 1, INFO.flags, 3, 0, 1500),
    )
    assert len(records.info_record_1(INFO)) == 72
    assert [len(records.changed_record(version, news)) for version in (1, 2)] == [104, 288]
    assert struct.unpack_from("=QI", records.changed_record(1, news), 72) == (5, 2)
    event = LineEvent(9, False, 84, 3, 2)
    assert struct.unpack("=QIIII24x", records.event_record("lines", event)) == (9, 2, 84, 3, 2)
    assert struct.unpack("=QII", records.event_record("event", event)) == (9, 2, 0)
    assert len(records.chip_info("gpiochip0", "gpiochip0", 128)) == 68
