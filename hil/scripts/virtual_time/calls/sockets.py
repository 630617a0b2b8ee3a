"""Time-outs of sockets, kept from the kernel (socket(7))."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from hil.scripts.virtual_time.limits import socket
from hil.scripts.virtual_time.open_files import file_behind

from .handlers import Answer, Arguments, handles, signed

if TYPE_CHECKING:
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task

_SOL_SOCKET: Final = 1
# asm-generic/socket.h: the old numbers, and those for a time_t of 64 bits, which here is the same structure.
RECEIVE, SEND = (20, 66), (21, 67)
_SIZE: Final = 16


@handles("setsockopt")
def set_option(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """setsockopt(2) of SO_RCVTIMEO and SO_SNDTIMEO; 0 takes the limit away."""
    end = socket(file_behind(task, signed(arguments[0])))
    option, size = signed(arguments[2]), signed(arguments[4])
    if signed(arguments[1]) != _SOL_SOCKET or option not in (*RECEIVE, *SEND) or end is None or size < _SIZE:
        return None
    limits = supervisor.limits.receiving if option in RECEIVE else supervisor.limits.sending
    wait_ns = task.process.read_timeval(arguments[3])
    if wait_ns:
        limits[end] = wait_ns
    else:
        limits.pop(end, None)
    return 0
