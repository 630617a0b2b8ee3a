"""Terminals of the tree: the module's ports, ptys that the tree has made, modem lines."""

from __future__ import annotations

import contextlib
import fcntl
import os
import select
import stat
import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Protocol

from hil.scripts.linux import kernel
from hil.scripts.linux.open_files import file_behind, files_of, terminal

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.scripts.linux.open_files import Device
    from simulator.module.port import Port

    from .supervisor import Supervisor
    from .tasks import Process, Task

# Majors of the two ends of a pty (admin-guide/devices.rst): slaves, and the one file that gives masters.
_SLAVE_MAJORS: Final = range(136, 144)
_MASTERS: Final = os.makedev(5, 2)
# asm-generic/ioctls.h: the number of a pty, and whether it is locked still.
_TIOCGPTN, _TIOCGPTLCK = 0x80045430, 0x80045439


class _LineEnd(Protocol):
    """What ends a wait for a line; the port may have vanished."""

    def __call__(self, *, is_there: bool) -> None: ...


@dataclass(slots=True)
class _LineWait:
    """A task that waits for a modem line to change."""

    port: Port
    life: int
    mask: int
    before: int
    end: _LineEnd


class Terminals:
    """What is remembered of terminals."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self._line_waits: list[_LineWait] = []
        self._are_there_ptys = False
        # The ends that each process holds, with what its tasks had run until then.
        self._seen: dict[Process, tuple[list[bytes], list[tuple[int, object]]]] = {}

    def port(self, task: Task, descriptor: int) -> Port | None:
        """The module's port behind a descriptor."""
        device = terminal(file_behind(task, descriptor))
        return None if device is None else self._supervisor.world.port_at(device)

    def is_held(self, device: Device) -> bool:
        """Whether any task of the tree holds the terminal *device*."""
        return any(end == device for _, _, end in self._pty_ends())

    # -- ptys that the tree has made --------------------------------------------------

    def pty_made(self, task: Task, master: int) -> None:
        """The tree has a pty of its own, which *task* is about to unlock: nobody can have set it yet."""
        self._are_there_ptys = True
        if not self._supervisor.limits.terminals:
            return
        with kernel.borrowed(task.process.pid, master) as own, contextlib.suppress(OSError):
            if own is not None and _asked(own, _TIOCGPTLCK):
                number = _asked(own, _TIOCGPTN)
                slave = os.makedev(_SLAVE_MAJORS.start + (number >> 8), number & 0xFF)
                self._supervisor.limits.forget_pty(slave)

    def flush(self) -> None:
        """Let what is on its way through the tree's own ptys arrive: the kernel finishes if asked."""
        if not self._are_there_ptys:
            return
        seen: set[object] = set()
        for process, descriptor, end in self._pty_ends():
            if end in seen:
                continue
            seen.add(end)
            with kernel.borrowed(process.pid, descriptor) as own:
                if own is not None:
                    select.select([own], (), (), 0)

    def _pty_ends(self) -> Iterator[tuple[Process, int, object]]:
        """The ends of ptys in the tree; a process is asked only where it has run since it last was."""
        before, self._seen = self._seen, {}
        for process, have_run in self._supervisor.tree.have_run().items():
            seen = before.get(process)
            if seen is None or seen[0] != have_run:
                seen = have_run, list(_pty_ends(process))
            self._seen[process] = seen
            for descriptor, end in seen[1]:
                yield process, descriptor, end

    # -- modem lines ------------------------------------------------------------------

    def wait_for_lines(self, port: Port, mask: int, end: _LineEnd) -> None:
        """Call *end* once a line of *mask* has changed (TIOCMIWAIT), or the port has vanished."""
        self._line_waits.append(_LineWait(port, port.lives, mask, driven_bits(port) & mask, end))

    def look_at_lines(self) -> None:
        """The model has moved: count the changes of lines, and end the waits for them."""
        for port in self._supervisor.world.ports:
            if port.clients:
                port.count_lines()
        for wait in list(self._line_waits):
            is_there = wait.port.is_present and wait.port.lives == wait.life
            if not is_there or driven_bits(wait.port) & wait.mask != wait.before:
                self._line_waits.remove(wait)
                with contextlib.suppress(kernel.GoneError):
                    wait.end(is_there=is_there)


# linux/termios.h.
DTR, RTS, CTS, CAR, RNG, DSR = 0x002, 0x004, 0x020, 0x040, 0x080, 0x100


def driven_bits(port: Port) -> int:
    """The lines that the module drives, as TIOCMGET tells them."""
    lines = port.control_lines
    return CTS * lines.cts | DSR * lines.dsr | CAR * lines.dcd | RNG * lines.ri


def all_bits(port: Port) -> int:
    """Both sides' lines."""
    return driven_bits(port) | DTR * port.dtr | RTS * port.rts


def _asked(master: int, request: int) -> int:
    """What the kernel tells of a pty; raises OSError."""
    (answer,) = struct.unpack("=i", fcntl.ioctl(master, request, bytes(4)))
    return int(answer)


def _pty_ends(process: Process) -> Iterator[tuple[int, object]]:
    for descriptor, status in files_of(process):
        if not stat.S_ISCHR(status.st_mode):
            continue
        if os.major(status.st_rdev) in _SLAVE_MAJORS:
            yield descriptor, (status.st_dev, status.st_rdev)
        elif status.st_rdev == _MASTERS:
            yield descriptor, (process.pid, descriptor)
