"""Time-outs of sockets, kept from the kernel (socket(7))."""

from __future__ import annotations

import errno
import struct
from typing import TYPE_CHECKING, Final

from hil.scripts.linux.open_files import file_behind, socket

from .handlers import Answer, Arguments, handles, signed

if TYPE_CHECKING:
    from hil.scripts.linux.open_files import Device
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task

_SOL_SOCKET: Final = 1
# asm-generic/socket.h: the old numbers, and those for a time_t of 64 bits, which here is the same structure.
RECEIVE, SEND = (20, 66), (21, 67)
_SIZE: Final = 16


@handles("setsockopt")
def set_option(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """setsockopt(2) of SO_RCVTIMEO and SO_SNDTIMEO; 0 takes the limit away."""
    found = _limits(supervisor, task, arguments)
    if found is None or signed(arguments[4]) < _SIZE:
        return None
    limits, end = found
    wait_ns = task.process.read_any_timeval(arguments[3])
    if wait_ns:
        limits[end] = wait_ns
    else:
        limits.pop(end, None)
    return 0


@handles("getsockopt")
def get_option(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """getsockopt(2) of the same: a struct timeval, as much of it as there is room for."""
    found = _limits(supervisor, task, arguments)
    wait_ns = None if found is None else found[0].get(found[1])
    if wait_ns is None:
        return None  # the kernel's is none either
    (room,) = struct.unpack("=i", task.process.read(arguments[4], 4))
    if room < 0:
        return -errno.EINVAL
    value = struct.pack("=qq", *divmod(wait_ns // 1000, 1_000_000))[:room]
    task.process.write(arguments[3], value)
    task.process.write(arguments[4], struct.pack("=i", len(value)))
    return 0


def _limits(
    supervisor: Supervisor, task: Task, arguments: Arguments
) -> tuple[dict[Device, int], Device] | None:
    """The limits that the option is about, and the socket; None for anything else."""
    end = socket(file_behind(task, signed(arguments[0])))
    option = signed(arguments[2])
    if signed(arguments[1]) != _SOL_SOCKET or option not in (*RECEIVE, *SEND) or end is None:
        return None
    limits = supervisor.limits
    return (limits.receiving if option in RECEIVE else limits.sending), end
