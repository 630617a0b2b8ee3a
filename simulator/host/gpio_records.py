"""The structures of linux/gpio.h, both versions: bytes in, requests out; infos and events in, bytes out."""

from __future__ import annotations

import errno
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from .gpio_chip import MOST_LINES, InfoChanged
from .line_config import FALLING, INPUT, OUTPUT, RISING, LineConfig, from_first, to_first
from .refusal import fault

if TYPE_CHECKING:
    from collections.abc import Sequence

    from .gpio_chip import LineEvent, LineInfo, LineRequest


def _number(place: int, size: int, ways: int = 3) -> int:
    """An ioctl's number (asm-generic/ioctl.h): reads, writes or both."""
    return ways << 30 | size << 16 | 0xB4 << 8 | place


CHIP_INFO: Final = _number(1, 68, 2)
LINE_INFO_1, HANDLE_1, EVENT_1 = _number(2, 72), _number(3, 364), _number(4, 48)
LINE_INFO, WATCH, LINES = _number(5, 256), _number(6, 256), _number(7, 592)
GET_1, SET_1, CONFIG_1 = _number(8, 64), _number(9, 64), _number(10, 84)
WATCH_1, UNWATCH = _number(11, 72), _number(12, 4)
CONFIG, GET, SET = _number(13, 272), _number(14, 16), _number(15, 16)

# Where a request's new descriptor is put.
DESCRIPTOR_AT: Final = {LINES: 588, HANDLE_1: 360, EVENT_1: 44}
# Bytes of an event record, by the kind of its request.
EVENT_SIZE: Final = {"lines": 48, "event": 16}

_USES: Final = {"requested": 1, "released": 2, "reconfigured": 3}
_FLAGS, _VALUES, _DEBOUNCE = 1, 2, 3
_MOST_ATTRIBUTES: Final = 10
_CONFIG_AT, _CONFIG_END = 288, 560
_OPEN_1: Final = 0x1A  # output, open drain, open source: nothing that has edges


def size_of(number: int) -> int:
    """How many bytes an ioctl passes."""
    return number >> 16 & 0x3FFF


def _c_text(data: bytes) -> str:
    return data.partition(b"\0")[0].decode("latin-1")


def _bytes(text: str) -> bytes:
    return text.encode("latin-1", "replace")[:31]


# -- requests -----------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Wanted:
    """A request for lines, read."""

    lines: Sequence[tuple[int, LineConfig]]
    consumer: str
    room: int = 0


def read_configs(data: bytes, count: int) -> list[LineConfig]:
    """struct gpio_v2_line_config for *count* lines: of each attribute the first that names a line counts."""
    flags, attributes = struct.unpack_from("=QI", data)
    if attributes > _MOST_ATTRIBUTES or any(data[12:32]):
        raise fault(errno.EINVAL)
    found = [struct.unpack_from("=IIQQ", data, 32 + 24 * place) for place in range(attributes)]

    def of(kind: int, bit: int) -> int | None:
        for known, _, value, mask in found:
            if known == kind and mask >> bit & 1:
                return int(value)
        return None

    configs = []
    for bit in range(count):
        own, values, debounce = of(_FLAGS, bit), of(_VALUES, bit), of(_DEBOUNCE, bit)
        configs.append(
            LineConfig(
                flags if own is None else own,
                bool((values or 0) >> bit & 1),
                None if debounce is None else debounce & 0xFFFFFFFF,
            )
        )
    return configs


def read_lines(data: bytes) -> Wanted:
    """struct gpio_v2_line_request."""
    count, room = struct.unpack_from("=II", data, _CONFIG_END)
    if not 0 < count <= MOST_LINES or any(data[568:588]):
        raise fault(errno.EINVAL)
    offsets = struct.unpack_from(f"={count}I", data)
    configs = read_configs(data[_CONFIG_AT:_CONFIG_END], count)
    return Wanted(list(zip(offsets, configs, strict=True)), _c_text(data[256:288]), room)


def read_handle(data: bytes) -> Wanted:
    """struct gpiohandle_request."""
    (flags,) = struct.unpack_from("=I", data, 256)
    (count,) = struct.unpack_from("=I", data, 356)
    if not 0 < count <= MOST_LINES:
        raise fault(errno.EINVAL)
    second = from_first(flags)
    lines = [
        (offset, LineConfig(second, bool(data[260 + place])))
        for place, offset in enumerate(struct.unpack_from(f"={count}I", data))
    ]
    return Wanted(lines, _c_text(data[324:356]))


def read_event(data: bytes) -> Wanted:
    """struct gpioevent_request."""
    offset, flags, edges = struct.unpack_from("=III", data)
    if edges & ~3 or flags & _OPEN_1:
        raise fault(errno.EINVAL)
    asked = (RISING if edges & 1 else 0) | (FALLING if edges & 2 else 0)
    return Wanted([(offset, LineConfig(from_first(flags) | INPUT | asked))], _c_text(data[12:44]))


READERS: Final = {LINES: read_lines, HANDLE_1: read_handle, EVENT_1: read_event}


def configs_1(data: bytes, count: int) -> list[LineConfig]:
    """struct gpiohandle_config: lines have to be made inputs or outputs."""
    (flags,) = struct.unpack_from("=I", data)
    second = from_first(flags)
    if not second & (INPUT | OUTPUT):
        raise fault(errno.EINVAL)
    return [LineConfig(second, bool(data[4 + place])) for place in range(count)]


def offset_in(number: int, data: bytes) -> int:
    """Which line is asked about."""
    is_second = number in (LINE_INFO, WATCH)
    if is_second and any(data[240:256]):
        raise fault(errno.EINVAL)
    return int(struct.unpack_from("=I", data, 64 if is_second else 0)[0])


# -- answers ------------------------------------------------------------------------------


def chip_info(name: str, label: str, count: int) -> bytes:
    """struct gpiochip_info."""
    return struct.pack("=32s32sI", _bytes(name), _bytes(label), count)


def info_record(info: LineInfo) -> bytes:
    """struct gpio_v2_line_info."""
    attribute = struct.pack("=IIQ", _DEBOUNCE, 0, info.debounce_us) if info.debounce_us else b""
    return struct.pack(
        "=32s32sIIQ160s16x",
        _bytes(info.name),
        _bytes(info.consumer),
        info.offset,
        1 if attribute else 0,
        info.flags,
        attribute,
    )


def info_record_1(info: LineInfo) -> bytes:
    """struct gpioline_info."""
    return struct.pack(
        "=II32s32s", info.offset, to_first(info.flags), _bytes(info.name), _bytes(info.consumer)
    )


def changed_record(version: int, news: InfoChanged) -> bytes:
    """struct gpio_v2_line_info_changed, or gpioline_info_changed."""
    info = info_record(news.info) if version == 2 else info_record_1(news.info)  # noqa: PLR2004 # the version
    return info + struct.pack("=QI20x", news.stamp_ns, _USES[news.use])


def event_record(kind: str, event: LineEvent) -> bytes:
    """struct gpio_v2_line_event, or gpioevent_data."""
    edge = 1 if event.is_rising else 2
    if kind == "event":
        return struct.pack("=QII", event.stamp_ns, edge, 0)
    return struct.pack("=QIIII24x", event.stamp_ns, edge, event.offset, event.number, event.line_number)


# -- what a request's descriptor is asked ---------------------------------------------------


def answer(request: LineRequest, number: int, data: bytes) -> bytes:
    """What is put back for an ioctl on the lines' descriptor; EINVAL for one that it does not know."""
    acts = {
        "lines": {GET: _get, SET: _set, CONFIG: _configure},
        "handle": {GET_1: _get_1, SET_1: _set_1, CONFIG_1: _configure_1},
        "event": {GET_1: _get_1},
    }[request.kind]
    act = acts.get(number)
    if act is None:
        raise fault(errno.EINVAL)
    return act(request, data)


def _masked(data: bytes, count: int) -> tuple[int, int]:
    bits, mask = struct.unpack("=QQ", data)
    mask &= (1 << count) - 1
    if not mask:
        raise fault(errno.EINVAL)
    return bits, mask


def _get(request: LineRequest, data: bytes) -> bytes:
    _, mask = _masked(data, len(request))
    values = sum(value << place for place, value in enumerate(request.values()))
    return struct.pack("=Q", values & mask)


def _set(request: LineRequest, data: bytes) -> bytes:
    bits, mask = _masked(data, len(request))
    request.set_values(
        [bool(bits >> place & 1) if mask >> place & 1 else None for place in range(len(request))]
    )
    return b""


def _configure(request: LineRequest, data: bytes) -> bytes:
    request.configure(read_configs(data, len(request)))
    return b""


def _get_1(request: LineRequest, data: bytes) -> bytes:
    del data
    return bytes(request.values()).ljust(MOST_LINES, b"\0")


def _set_1(request: LineRequest, data: bytes) -> bytes:
    request.set_values([bool(value) for value in data[: len(request)]])
    return b""


def _configure_1(request: LineRequest, data: bytes) -> bytes:
    request.configure(configs_1(data, len(request)))
    return b""
