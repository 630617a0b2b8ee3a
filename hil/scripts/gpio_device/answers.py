"""The ioctls of the GPIO character device (linux/gpio.h): a call and its descriptor in, its result out.

The answers are the model's chip's.  Where the task has to come by a new descriptor the answer is a way there,
in steps, whose end is the result.
"""

from __future__ import annotations

import errno
import os
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from hil.scripts.linux.kernel import GoneError
from simulator.host import gpio_records as records
from simulator.host.refusal import fault

from .handles import ChipHandle, LinesHandle

if TYPE_CHECKING:
    from hil.scripts.linux.caller import Caller, Steps
    from simulator.host.gpio_chip import Kind

    from .handles import LineHandles

# Descriptor, number and address, as ioctl(2) has them.
Control: TypeAlias = tuple[int, int, int]

# Calls that only look at a value.
LOOKS: Final = (records.GET, records.GET_1)
_KINDS: Final[dict[int, Kind]] = {
    records.LINES: "lines",
    records.HANDLE_1: "handle",
    records.EVENT_1: "event",
}
_INFOS: Final = (records.LINE_INFO, records.LINE_INFO_1)
_WATCHES: Final = {records.WATCH: 2, records.WATCH_1: 1}


def control_in(arguments: tuple[int, ...]) -> Control:
    """What is asked for, from the arguments of the call: descriptor and number have 32 bits."""
    descriptor = arguments[0] & 0xFFFFFFFF
    if descriptor >> 31:
        descriptor -= 1 << 32
    return descriptor, arguments[1] & 0xFFFFFFFF, arguments[2]


def answer(handles: LineHandles, task: Caller, control: Control) -> int | Steps | None:
    """The result; the way to it; or None where the descriptor is something else."""
    descriptor, number, address = control
    handle = handles.find(task, descriptor)
    if handle is None:
        return None
    try:
        if isinstance(handle, LinesHandle):
            data = task.process.read(address, records.size_of(number))
            task.process.write(address, records.answer(handle.request, number, data))
            return 0
        return _ask_chip(handles, handle, task, control)
    except OSError as error:
        return -(error.errno or errno.EIO)
    except GoneError:  # no such address; where the task itself is gone, nobody sees it
        return -errno.EFAULT


def _ask_chip(handles: LineHandles, handle: ChipHandle, task: Caller, control: Control) -> int | Steps:
    chip, process = handles.chip, task.process
    _, number, address = control
    if number == records.CHIP_INFO:
        process.write(address, records.chip_info(chip.name, chip.label, chip.count))
        return 0
    if number in _KINDS:
        return _request(handles, task, number, address)
    if number in _WATCHES:
        return _watch(handles, handle, task, control)
    if number in _INFOS:
        offset = records.offset_in(number, process.read(address, records.size_of(number)))
        pack = records.info_record if number == records.LINE_INFO else records.info_record_1
        process.write(address, pack(chip.info(offset)))
        return 0
    if number == records.UNWATCH:
        offset = records.offset_in(number, process.read(address, records.size_of(number)))
        chip.info(offset)
        if handle.watch is None:
            raise fault(errno.EBUSY)
        handle.watch.remove(offset)
        return 0
    raise fault(errno.EINVAL)


def _request(handles: LineHandles, task: Caller, number: int, address: int) -> Steps:
    """Take the lines, then come by their descriptor: in the kernel's order."""
    process = task.process
    try:
        wanted = records.READERS[number](process.read(address, records.size_of(number)))
        request = handles.chip.request(
            wanted.lines, consumer=wanted.consumer, kind=_KINDS[number], room=wanted.room
        )
    except OSError as error:
        return -(error.errno or errno.EIO)
    except GoneError:
        return -errno.EFAULT
    handle = LinesHandle(request)
    given = yield from handles.give(task, handle, flags=os.O_CLOEXEC)
    if given < 0:
        request.close()
        return given
    try:
        process.write(address + records.DESCRIPTOR_AT[number], given.to_bytes(4, "little"))
    except GoneError:
        yield from handles.take_back(task, handle, given)
        return -errno.EFAULT
    return 0


def _watch(handles: LineHandles, handle: ChipHandle, task: Caller, control: Control) -> Steps:
    """Watch a line; at the first one a socket takes the descriptor's place, so that news can be read."""
    descriptor, number, address = control
    version = _WATCHES[number]
    try:
        offset = records.offset_in(number, task.process.read(address, records.size_of(number)))
        handles.chip.info(offset)
        if handle.version not in (0, version):
            return -errno.EPERM
        if handle.end is None:
            given = yield from handles.give(
                task, handle, flags=_flags(task, descriptor), instead_of=descriptor
            )
            if given < 0:
                return given
        handle.version = version  # type: ignore[assignment] # one of the two
        info = handle.watch_from_now().add(offset)
        pack = records.info_record if number == records.WATCH else records.info_record_1
        task.process.write(address, pack(info))
    except OSError as error:
        return -(error.errno or errno.EIO)
    except GoneError:
        return -errno.EFAULT
    return 0


def _flags(task: Caller, descriptor: int) -> int:
    """How a descriptor was opened (proc(5), fdinfo): whether it blocks, and outlives an exec."""
    with Path(f"/proc/{task.tid}/fdinfo/{descriptor}").open(encoding="ascii") as file:
        for line in file:
            if line.startswith("flags:"):
                return int(line.split()[1], 8) & (os.O_NONBLOCK | os.O_CLOEXEC)
    return 0
