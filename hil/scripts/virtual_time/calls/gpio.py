"""The GPIO character device (linux/gpio.h): answered from the model's chip, one call at a time.

A request's descriptor is made in the task by calls that it does not know of.  Each call is answered once all
others rest, in the order of the process tree, and after what was closed at the same instant.
"""

from __future__ import annotations

import errno
import os
import socket
from typing import TYPE_CHECKING, Final

from hil.scripts.virtual_time.kernel import GoneError
from hil.scripts.virtual_time.line_handles import ChipHandle, LinesHandle
from simulator.host import gpio_records as records
from simulator.host.refusal import fault

from .handlers import signed

if TYPE_CHECKING:
    from hil.scripts.virtual_time.chains import Steps
    from hil.scripts.virtual_time.line_handles import LineHandles
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task
    from simulator.host.gpio_chip import Kind

    from .handlers import Answer, Arguments

_LOOKS: Final = (records.GET, records.GET_1)
_KINDS: Final[dict[int, Kind]] = {
    records.LINES: "lines",
    records.HANDLE_1: "handle",
    records.EVENT_1: "event",
}
_INFOS: Final = (records.LINE_INFO, records.LINE_INFO_1)
_WATCHES: Final = {records.WATCH: 2, records.WATCH_1: 1}


def control(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """ioctl(2) of the chip or of lines; None where the descriptor is something else."""
    handles = supervisor.line_handles
    if handles is None or handles.find(task, signed(arguments[0])) is None:
        return None
    if arguments[1] & 0xFFFFFFFF in _LOOKS:
        supervisor.spinning.look()
    return supervisor.calls.defer(task, _answer)


def _answer(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    handles = supervisor.line_handles
    descriptor, number, address = signed(arguments[0]), arguments[1] & 0xFFFFFFFF, arguments[2]
    handle = None if handles is None else handles.find(task, descriptor)
    if handles is None or handle is None:
        return None  # closed meanwhile, by another thread
    try:
        if isinstance(handle, LinesHandle):
            data = task.process.read(address, records.size_of(number))
            task.process.write(address, records.answer(handle.request, number, data))
            return 0
        return _ask_chip(supervisor, task, handles, handle, (descriptor, number, address))
    except OSError as error:
        return -(error.errno or errno.EIO)
    except GoneError:  # no such address; where the task itself is gone, nobody sees it
        return -errno.EFAULT


def _ask_chip(
    supervisor: Supervisor, task: Task, handles: LineHandles, handle: ChipHandle, call: tuple[int, int, int]
) -> Answer:
    chip, process = handles.chip, task.process
    _, number, address = call
    if number == records.CHIP_INFO:
        process.write(address, records.chip_info(chip.name, chip.label, chip.count))
        return 0
    if number in _KINDS:
        return supervisor.calls.make_instead(task, _request(task, handles, number, address))
    if number in _WATCHES:
        return supervisor.calls.make_instead(task, _watch(task, handles, handle, call))
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


def _request(task: Task, handles: LineHandles, number: int, address: int) -> Steps:
    """Take the lines, then make their descriptor: in the kernel's order."""
    process = task.process
    try:
        wanted = records.READERS[number](process.read(address, records.size_of(number)))
        request = handles.chip.request(
            wanted.lines, consumer=wanted.consumer, kind=_KINDS[number], room=wanted.room
        )
    except OSError as error:
        return -(error.errno or errno.EIO)
    made = yield "socket", (socket.AF_UNIX, socket.SOCK_STREAM | socket.SOCK_CLOEXEC, 0)
    if made < 0:
        request.close()
        return made
    if not handles.adopt(task, made, LinesHandle(request)):
        request.close()
        yield "close", (made,)
        return -errno.ENODEV
    try:
        process.write(address + records.DESCRIPTOR_AT[number], made.to_bytes(4, "little"))
    except GoneError:
        yield "close", (made,)
        return -errno.EFAULT
    return 0


def _watch(task: Task, handles: LineHandles, handle: ChipHandle, call: tuple[int, int, int]) -> Steps:
    """Watch a line; at the first one a socket takes the descriptor's place, so that news can be read."""
    descriptor, number, address = call
    version = _WATCHES[number]
    try:
        offset = records.offset_in(number, task.process.read(address, records.size_of(number)))
        handles.chip.info(offset)
        if handle.version not in (0, version):
            return -errno.EPERM
        if handle.end is None:
            flags = _flags(task, descriptor)
            made = yield "socket", (socket.AF_UNIX, socket.SOCK_STREAM | flags & os.O_NONBLOCK, 0)
            if made < 0:
                return made
            is_ours = handles.adopt(task, made, handle)
            if is_ours:
                yield "dup3", (made, descriptor, flags & os.O_CLOEXEC)
            yield "close", (made,)
            if not is_ours:
                return -errno.ENODEV
        handle.version = version  # type: ignore[assignment] # one of the two
        info = handle.watch_from_now().add(offset)
        pack = records.info_record if number == records.WATCH else records.info_record_1
        task.process.write(address, pack(info))
    except OSError as error:
        return -(error.errno or errno.EIO)
    except GoneError:
        return -errno.EFAULT
    return 0


def _flags(task: Task, descriptor: int) -> int:
    """How a descriptor was opened (proc(5), fdinfo)."""
    with open(f"/proc/{task.tid}/fdinfo/{descriptor}", encoding="ascii") as file:
        for line in file:
            if line.startswith("flags:"):
                return int(line.split()[1], 8)
    return 0
