"""Terminals of the tree: reads that end by themselves, ptys that the tree has made, modem lines.

VTIME is a wait that the kernel's line discipline counts; it is hidden from it, and blocked reads are ended at
their virtual deadline.  A terminal's settings belong to the device, so they are kept by its number.
"""

from __future__ import annotations

import contextlib
import os
import select
import stat
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from . import kernel

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from simulator.module.port import Port

    from .supervisor import Supervisor
    from .tasks import Process, Task

# The file system of a terminal and its number there: each instance of devpts counts from 0.
Device: TypeAlias = tuple[int, int]

_TENTH_NS: Final = 100_000_000
# Majors of the two ends of a pty (admin-guide/devices.rst): slaves, and the one file that gives masters.
_SLAVE_MAJORS: Final = range(136, 144)
_MASTERS: Final = os.makedev(5, 2)
_ERESTARTSYS: Final = -512


@dataclass(frozen=True, slots=True)
class Timing:
    """VMIN and VTIME as a program has set them (termios(3))."""

    least: int
    tenths: int


@dataclass(slots=True)
class _LineWait:
    """A task that waits for a modem line to change."""

    port: Port
    mask: int
    before: int
    end: Callable[[], None]


class Terminals:
    """What is remembered of terminals."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self.timings: dict[Device, Timing] = {}
        self._ended: set[int] = set()
        self._marks: dict[int, bytes | None] = {}
        self._line_waits: list[_LineWait] = []

    @staticmethod
    def device(task: Task, descriptor: int) -> Device | None:
        """The device behind a descriptor; None for anything else."""
        try:
            status = os.stat(f"/proc/{task.tid}/fd/{descriptor}")
        except OSError:
            return None
        return (status.st_dev, status.st_rdev) if stat.S_ISCHR(status.st_mode) else None

    def port(self, task: Task, descriptor: int) -> Port | None:
        """The module's port behind a descriptor."""
        device = self.device(task, descriptor)
        return None if device is None else self._supervisor.world.port_at(device)

    def is_held(self, device: Device) -> bool:
        """Whether any task of the tree holds the terminal *device*."""
        return any(
            end == device for process in self._supervisor.tree.processes for _, end in _pty_ends(process)
        )

    # -- reads that end by themselves -------------------------------------------------

    def set_read_deadlines(self) -> bool:
        """Give each read of a terminal with VTIME alone its deadline; True where one was new."""
        if not self.timings:
            return False
        found = False
        for task in self._supervisor.tree:
            if task.waiting is None and not task.is_stopped and self._begins_read(task):
                found = True
        return found

    def _begins_read(self, task: Task) -> bool:
        mark = task.rest()
        if task.read_until is not None and self._marks.get(task.tid) == mark:
            return False  # the same sleep as before
        call = task.call()
        if not call or call[0] != self._supervisor.machine.NUMBERS["read"]:
            return False
        device = self.device(task, call[1])
        timing = None if device is None else self.timings.get(device)
        if timing is None or timing.least:
            return False
        self._marks[task.tid] = mark
        if task.read_until is not None:
            task.read_until.cancel()
        until_ns = self._supervisor.world.now_ns + timing.tenths * _TENTH_NS
        task.read_until = self._supervisor.at(until_ns, task, lambda: self._end_read(task, mark))
        return True

    def _end_read(self, task: Task, mark: bytes | None) -> None:
        if self._supervisor.tree.get(task.tid) is task and task.rest() == mark:
            self._ended.add(task.tid)
            kernel.ptrace(kernel.INTERRUPT, task.tid)

    def has_ended_read(self, task: Task) -> bool:
        """Whether the stop is that of a read whose time is over: it then ends with nothing."""
        if task.tid not in self._ended:
            return False
        self._ended.discard(task.tid)
        registers = self._supervisor.registers
        registers.load(task.tid)
        if registers.number == self._supervisor.machine.NUMBERS["read"] and registers.result == _ERESTARTSYS:
            registers.number, registers.result = -1, 0
            registers.store(task.tid)
        return True

    # -- ptys that the tree has made --------------------------------------------------

    def flush(self) -> None:
        """Let what is on its way through the tree's own ptys arrive: the kernel finishes if asked."""
        processes = self._supervisor.tree.processes
        if not any(process.has_ptys for process in processes):
            return
        seen: set[object] = set()
        for process in processes:
            for descriptor, end in _pty_ends(process):
                if end in seen:
                    continue
                seen.add(end)
                with kernel.borrowed(process.pid, descriptor) as own:
                    if own is not None:
                        select.select([own], (), (), 0)

    # -- modem lines ------------------------------------------------------------------

    def wait_for_lines(self, port: Port, mask: int, end: Callable[[], None]) -> None:
        """Call *end* once a line of *mask* has changed (TIOCMIWAIT)."""
        self._line_waits.append(_LineWait(port, mask, driven_bits(port) & mask, end))

    def look_at_lines(self) -> None:
        """The model has moved: end the waits whose lines have changed."""
        for wait in list(self._line_waits):
            if driven_bits(wait.port) & wait.mask != wait.before:
                self._line_waits.remove(wait)
                with contextlib.suppress(kernel.GoneError):
                    wait.end()


# linux/termios.h.
DTR, RTS, CTS, CAR, RNG, DSR = 0x002, 0x004, 0x020, 0x040, 0x080, 0x100


def driven_bits(port: Port) -> int:
    """The lines that the module drives, as TIOCMGET tells them."""
    lines = port.control_lines
    return CTS * lines.cts | DSR * lines.dsr | CAR * lines.dcd | RNG * lines.ri


def all_bits(port: Port) -> int:
    """Both sides' lines."""
    return driven_bits(port) | DTR * port.dtr | RTS * port.rts


def _pty_ends(process: Process) -> Iterator[tuple[int, object]]:
    folder = f"/proc/{process.pid}/fd"
    try:
        names = os.listdir(folder)
    except OSError:
        return
    for name in names:
        try:
            status = os.stat(f"{folder}/{name}")
        except OSError:
            continue
        if not stat.S_ISCHR(status.st_mode):
            continue
        if os.major(status.st_rdev) in _SLAVE_MAJORS:
            yield int(name), (status.st_dev, status.st_rdev)
        elif status.st_rdev == _MASTERS:
            yield int(name), (process.pid, name)
