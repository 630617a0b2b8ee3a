"""Wrong uses of the GPIO character device (linux/gpio.h), one a line with the error's name."""

import errno
import fcntl
import os
import resource
import struct
from collections.abc import Callable

CHIP_INFO, LINE_INFO_1, HANDLE_1, EVENT_1 = 0x8044B401, 0xC048B402, 0xC16CB403, 0xC030B404
LINE_INFO, WATCH, LINES = 0xC100B405, 0xC100B406, 0xC250B407
GET_1, SET_1, CONFIG_1, WATCH_1, UNWATCH = 0xC040B408, 0xC040B409, 0xC054B40A, 0xC048B40B, 0xC004B40C
CONFIG, GET, SET = 0xC110B40D, 0xC010B40E, 0xC010B40F
INPUT, OUTPUT, RISING, OPEN_DRAIN, OPEN_SOURCE, PULL_UP, PULL_DOWN = 4, 8, 16, 64, 128, 256, 512
HARDWARE_CLOCK = 4096
KEY, RADIO, USED = 84, 85, 99

chip = os.open("/dev/gpiochip0", os.O_RDONLY | os.O_CLOEXEC)


def lines(
    *offsets: int, flags: int = OUTPUT, attributes: int = 0, padding: int = 0, count: int = -1
) -> bytearray:
    head = struct.pack("=64I32s", *offsets, *[0] * (64 - len(offsets)), b"wrong")
    config = struct.pack("=QI20x240x", flags, attributes)
    count = len(offsets) if count < 0 else count
    return bytearray(head + config + struct.pack("=III16xi", count, 0, padding, -1))


def handle(offset: int, flags: int = 2, count: int = 1) -> bytearray:
    return bytearray(struct.pack("=64II64B32sIi", offset, *[0] * 63, flags, *[0] * 64, b"wrong", count, -1))


def event(offset: int, flags: int = 1, edges: int = 3) -> bytearray:
    return bytearray(struct.pack("=III32si", offset, flags, edges, b"wrong", -1))


def info(offset: int, padding: int = 0) -> bytearray:
    return bytearray(64) + struct.pack("=I", offset) + bytes(172) + struct.pack("=I12x", padding)


def values(bits: int, mask: int) -> bytearray:
    return bytearray(struct.pack("=QQ", bits, mask))


def made(number: int, request: bytearray) -> int:
    fcntl.ioctl(chip, number, request)
    return int.from_bytes(request[-4:], "little")


def attempt(label: str, act: Callable[[], object]) -> None:
    try:
        act()
    except OSError as error:
        print(label, errno.errorcode[error.errno or 0], sep=": ")
    else:
        print(label, "no error", sep=": ")


def call(label: str, descriptor: int, number: int, data: bytearray | int = 0) -> None:
    attempt(label, lambda: fcntl.ioctl(descriptor, number, data))


null = os.open("/dev/null", os.O_RDWR)
call("another device", null, CHIP_INFO, bytearray(68))
call("a closed descriptor", 77, CHIP_INFO, bytearray(68))
call("no address", chip, CHIP_INFO, 8)
call("a call that nobody knows", chip, 0xB455, bytearray(8))
call("a line's call on the chip", chip, GET, values(0, 1))
call("info: no such line", chip, LINE_INFO, info(128))
call("info: padding", chip, LINE_INFO, info(1, padding=1))
call("info 1: no such line", chip, LINE_INFO_1, bytearray(struct.pack("=I68x", 128)))
call("request: no lines", chip, LINES, lines())
call("request: too many lines", chip, LINES, lines(1, count=65))
call("request: no such line", chip, LINES, lines(128))
call("request: one line twice", chip, LINES, lines(5, 5))
call("request: a line of the kernel's", chip, LINES, lines(USED))
call("request: padding", chip, LINES, lines(1, padding=1))
call("request: too many attributes", chip, LINES, lines(1, attributes=11))
call("request: input and output", chip, LINES, lines(1, flags=INPUT | OUTPUT))
call("request: edges of an output", chip, LINES, lines(1, flags=OUTPUT | RISING))
call("request: two drives", chip, LINES, lines(1, flags=OUTPUT | OPEN_DRAIN | OPEN_SOURCE))
call("request: the drive of an input", chip, LINES, lines(1, flags=INPUT | OPEN_DRAIN))
call("request: two pulls", chip, LINES, lines(1, flags=INPUT | PULL_UP | PULL_DOWN))
call("request: a pull without direction", chip, LINES, lines(1, flags=PULL_UP))
call("request: a flag that nobody knows", chip, LINES, lines(1, flags=INPUT | 1 << 50))
call("request: a clock that is not there", chip, LINES, lines(1, flags=INPUT | RISING | HARDWARE_CLOCK))
call("request: no address", chip, LINES, 8)

held = made(LINES, lines(KEY, RADIO, flags=INPUT))
call("request: held", chip, LINES, lines(KEY))
call("handle: held", chip, HANDLE_1, handle(KEY))
call("event: held", chip, EVENT_1, event(KEY))
call("set: an input", held, SET, values(1, 1))
call("set: no line", held, SET, values(1, 0))
call("get: no line", held, GET, values(0, 0b100))
call("get: no address", held, GET, 8)
call("a call of the first version", held, GET_1, bytearray(64))
call("configure: input and output", held, CONFIG, bytearray(struct.pack("=QI260x", INPUT | OUTPUT, 0)))
os.close(held)

call("handle: no lines", chip, HANDLE_1, handle(KEY, count=0))
call("handle: no such line", chip, HANDLE_1, handle(128))
call("handle: a flag that nobody knows", chip, HANDLE_1, handle(KEY, flags=0x100))
call("handle: input and output", chip, HANDLE_1, handle(KEY, flags=3))
first = made(HANDLE_1, handle(KEY, flags=1))
call("handle: set an input", first, SET_1, bytearray(64))
call("handle: configure without direction", first, CONFIG_1, bytearray(84))
call("handle: a call of the second version", first, GET, values(0, 1))
os.close(first)
call("event: of an output", chip, EVENT_1, event(KEY, flags=2))
call("event: an edge that nobody knows", chip, EVENT_1, event(KEY, edges=4))
edge = made(EVENT_1, event(KEY))
call("event: set", edge, SET_1, bytearray(64))
os.close(edge)

fcntl.ioctl(chip, WATCH, info(KEY))
call("watch: twice", chip, WATCH, info(KEY))
call("watch: no such line", chip, WATCH, info(128))
call("watch: in the other version", chip, WATCH_1, bytearray(struct.pack("=I68x", RADIO)))
call("unwatch: not watched", chip, UNWATCH, bytearray(struct.pack("=I", RADIO)))
call("unwatch: no such line", chip, UNWATCH, bytearray(struct.pack("=I", 128)))
os.set_blocking(chip, False)
attempt("news: none yet", lambda: os.read(chip, 288))

limits = resource.getrlimit(resource.RLIMIT_NOFILE)
resource.setrlimit(resource.RLIMIT_NOFILE, (3, limits[1]))
call("request: no descriptor left", chip, LINES, lines(KEY))
resource.setrlimit(resource.RLIMIT_NOFILE, limits)
call("and then it is free", chip, LINES, lines(KEY))
