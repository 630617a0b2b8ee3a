"""Terminal settings and modem lines (ioctl_tty(2)): waits kept from the kernel, lines told by the model."""

from __future__ import annotations

import errno
import struct
from functools import partial
from typing import TYPE_CHECKING, Final, TypeAlias

from hil.scripts.linux import filter as rules
from hil.scripts.linux.kernel import GoneError
from hil.scripts.linux.open_files import file_behind, terminal
from hil.scripts.virtual_time.limits import Timing
from hil.scripts.virtual_time.terminals import DTR, RTS, all_bits

from .handlers import Answer, Arguments, signed

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Process, Task, Waiting
    from simulator.module.port import Port
    from simulator.module.wire import Wire

# struct ktermios: four words of flags, the line discipline, then the control characters.
_LOCAL_FLAGS_AT, _CHARACTERS_AT = 12, 17
_VTIME_AT, _VMIN_AT = _CHARACTERS_AT + 5, _CHARACTERS_AT + 6
_MOST_TENTHS: Final = 255
_ICANON: Final = 0x2
_READS: Final = (rules.TCGETS, rules.TCGETS2)
_SETS: Final = (
    *(rules.TCSETS, rules.TCSETSW, rules.TCSETSF),
    *(rules.TCSETS2, rules.TCSETSW2, rules.TCSETSF2),
)
# How long a break lasts (tcsendbreak(3): between a quarter and half a second; Linux takes a quarter).
_BREAK_NS: Final = 250_000_000
_TENTH_NS: Final = 100_000_000
# Sets that wait until all is sent.
_DRAINED_SETS: Final = (rules.TCSETSW, rules.TCSETSF, rules.TCSETSW2, rules.TCSETSF2)
# linux/errno.h: the call is made again.
_ERESTARTSYS: Final = -512
# Of struct serial_icounter_struct (linux/serial.h).
_RESERVED: Final = (0,) * 9

_Handler: TypeAlias = "Callable[[Supervisor, Task, Arguments, Port], Answer]"


def control(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """ioctl(2) of a terminal."""
    request = arguments[1] & 0xFFFFFFFF
    if request == rules.TIOCSPTLCK:
        supervisor.terminals.pty_made(task, signed(arguments[0]))
        return None
    if request in _READS:
        return _read_settings(supervisor, task, arguments)
    port = None
    if request not in _SETS or (request in _DRAINED_SETS and supervisor.world.serial is not None):
        port = supervisor.terminals.port(task, signed(arguments[0]))
    handler = _LINES.get(request)
    if port is None or handler is None:
        return _set_settings(supervisor, task, arguments) if request in _SETS else None

    def answer(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
        try:
            return handler(supervisor, task, arguments, port)
        except GoneError:
            return -errno.EFAULT  # seen by nobody where it is the task that has gone

    # Once all others rest: what they have written, opened or closed at this instant comes first.
    return supervisor.calls.defer(task, answer)


# -- settings -----------------------------------------------------------------------------


def _read_settings(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    if not supervisor.limits.terminals:
        return None  # nearly always: an interpreter asks for each file that it opens
    device = terminal(file_behind(task, signed(arguments[0])))
    timing = None if device is None else supervisor.limits.timing(device)
    if timing is None:
        return None

    def finish(result: int) -> int:
        if result == 0:
            _write_timing(task.process, arguments[2], timing)
        return result

    return supervisor.calls.call_then(task, arguments, finish)


def _set_settings(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    process, address = task.process, arguments[2]
    device = terminal(file_behind(task, signed(arguments[0])))
    if device is None:
        return None
    settings = process.read(address, _VMIN_AT + 1)
    (flags,) = struct.unpack_from("=I", settings, _LOCAL_FLAGS_AT)
    port = supervisor.world.port_at(device)
    wanted = Timing(settings[_VMIN_AT], settings[_VTIME_AT], port, 0 if port is None else port.lives)
    supervisor.limits.terminals.pop(device, None)
    if flags & _ICANON or not wanted.tenths:
        return None
    supervisor.limits.terminals[device] = wanted
    # In the kernel a read waits for ever; the program's own structure stays as it was.  Between characters it
    # has the longest time there is: without one, poll(2) would wait for as many characters as a read does.
    _write_timing(process, address, Timing(wanted.least, _MOST_TENTHS) if wanted.is_between else Timing(1, 0))

    def finish(result: int) -> int:
        _write_timing(process, address, wanted)
        return result

    return supervisor.calls.call_then(task, arguments, finish)


def _write_timing(process: Process, address: int, timing: Timing) -> None:
    process.write(address + _VTIME_AT, bytes([timing.tenths, timing.least]))


# -- modem lines --------------------------------------------------------------------------


def _get_lines(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    supervisor.spinning.look()
    task.process.write(arguments[2], struct.pack("=i", all_bits(port)))
    return 0


def _set_lines(
    supervisor: Supervisor, task: Task, arguments: Arguments, port: Port, *, change: Callable[[int, int], int]
) -> Answer:
    del supervisor
    (given,) = struct.unpack("=i", task.process.read(arguments[2], 4))
    bits = change(all_bits(port), given)
    port.set_lines(dtr=bool(bits & DTR), rts=bool(bits & RTS))
    return 0


def _wait_for_lines(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    pending, waiting = _wait(supervisor, task, arguments, timed_out=0)

    def end(*, is_there: bool) -> None:
        if not is_there:
            waiting.finish = lambda _: -errno.EIO
        supervisor.calls.kick(task, waiting)

    supervisor.terminals.wait_for_lines(port, arguments[2], end)
    return pending


def _count_events(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    """TIOCGICOUNT: what has come and gone until now; the rest of the structure is reserved."""
    supervisor.spinning.look()
    port.count_lines()
    task.process.write(arguments[2], struct.pack("=20i", *port.counts.as_kernel_tells(), *_RESERVED))
    return 0


def _break_for(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port, break_ns: int) -> Answer:
    port.set_break(True)
    return supervisor.calls.wait(
        task,
        arguments,
        supervisor.world.now_ns + break_ns,
        timed_out=0,
        sleeps=True,
        at_end=lambda _result, _left_ns: port.set_break(False),
    )


def _break_or_drain(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    if signed(arguments[2]) == 0:
        return _break_for(supervisor, task, arguments, port, _BREAK_NS)
    return _drain(supervisor, task, arguments, port)


def _drain(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    """tcdrain(3): until the last stop bit has left."""
    wire = _busy_wire(supervisor, port)
    if wire is None:
        return 0
    pending, waiting = _wait(supervisor, task, arguments, timed_out=0)
    wire.when_idle(partial(supervisor.calls.kick, task, waiting))
    return pending


def _set_once_drained(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    """The same before a set (TCSADRAIN and TCSAFLUSH of tcsetattr(3))."""
    wire = _busy_wire(supervisor, port)
    if wire is None:
        return _set_settings(supervisor, task, arguments)
    # Where a signal has come meanwhile it sleeps in the kernel, and makes the call again.
    pending, waiting = _wait(supervisor, task, arguments, timed_out=_ERESTARTSYS)

    def set_now() -> None:
        if task.waiting is waiting and task.is_parked:
            supervisor.calls.forget(task)
            supervisor.calls.defer(task, partial(_set_once_drained, port=port))
        else:
            supervisor.calls.kick(task, waiting)

    wire.when_idle(set_now)
    return pending


def _busy_wire(supervisor: Supervisor, port: Port) -> Wire | None:
    """What the port sends on, while it sends."""
    serial = supervisor.world.serial
    if serial is None or serial.port is not port or not serial.to_module.is_busy:
        return None
    return serial.to_module


def _wait(
    supervisor: Supervisor, task: Task, arguments: Arguments, *, timed_out: int
) -> tuple[Answer, Waiting]:
    """Sleep until kicked: nothing else ends it but a signal."""
    pending = supervisor.calls.wait(
        task, arguments, supervisor.world.now_ns, timed_out=timed_out, sleeps=True
    )
    waiting = task.waiting
    assert waiting is not None  # noqa: S101 # it sleeps
    if waiting.deadline is not None:
        waiting.deadline.cancel()
    return pending, waiting


def _break_tenths(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    tenths = signed(arguments[2])
    return _break_for(supervisor, task, arguments, port, tenths * _TENTH_NS if tenths > 0 else _BREAK_NS)


def _set_break(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port, *, on: bool) -> Answer:
    del supervisor, task, arguments
    port.set_break(on)
    return 0


def _count_waiting(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    """TIOCOUTQ: what has not left yet."""
    supervisor.spinning.look()
    serial = supervisor.world.serial
    waiting = serial.to_module.waiting if serial is not None and serial.port is port else 0
    task.process.write(arguments[2], struct.pack("=i", waiting))
    return 0


def _claim(supervisor: Supervisor, task: Task, arguments: Arguments, port: Port) -> Answer:
    """TIOCEXCL: as for root, whom it does not keep out (ioctl_tty(2)).

    In the kernel the claim would outlive its program until the model has seen the last closing, and keep out
    the one that opens the port at the same instant.
    """
    del supervisor, task, arguments, port
    return 0


_LINES: Final[dict[int, _Handler]] = {
    **dict.fromkeys(_DRAINED_SETS, _set_once_drained),
    rules.TIOCMGET: _get_lines,
    rules.TIOCMSET: partial(_set_lines, change=lambda _, given: given),
    rules.TIOCMBIS: partial(_set_lines, change=lambda before, given: before | given),
    rules.TIOCMBIC: partial(_set_lines, change=lambda before, given: before & ~given),
    rules.TIOCMIWAIT: _wait_for_lines,
    rules.TIOCGICOUNT: _count_events,
    rules.TCSBRK: _break_or_drain,
    rules.TCSBRKP: _break_tenths,
    rules.TIOCSBRK: partial(_set_break, on=True),
    rules.TIOCCBRK: partial(_set_break, on=False),
    rules.TIOCOUTQ: _count_waiting,
    rules.TIOCEXCL: _claim,
}
