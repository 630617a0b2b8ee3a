"""Time limits that belong to a terminal or a socket, not to a call: the kernel is not told of them.

VTIME of a terminal (termios(3)), SO_RCVTIMEO and SO_SNDTIMEO of a socket (socket(7)): calls that wait there
are not stopped; whoever rests in one is given a deadline, and its call ends as the kernel would end it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from hil.scripts.linux import kernel
from hil.scripts.linux.open_files import file_behind, socket, terminal

if TYPE_CHECKING:
    from hil.scripts.linux.open_files import Device
    from simulator.module.port import Port

    from .supervisor import Supervisor
    from .tasks import Task

_TENTH_NS: Final = 100_000_000
_ERESTARTSYS: Final = -512
_EAGAIN, _EINPROGRESS, _NOTHING = -11, -115, 0
_READING: Final = ("read", "readv")
_RECEIVING: Final = (*_READING, "recvfrom", "recvmsg", "recvmmsg", "accept", "accept4")
_SENDING: Final = ("write", "writev", "sendto", "sendmsg", "sendmmsg", "connect")


@dataclass(frozen=True, slots=True)
class Timing:
    """VMIN and VTIME as a program has set them (termios(3)), of a module's port for its life."""

    least: int
    tenths: int
    port: Port | None = None
    life: int = 0

    @property
    def is_between(self) -> bool:
        """Whether the time runs between characters; where one is enough, there is no between."""
        return self.least > 1

    @property
    def is_over(self) -> bool:
        """Whether the port that was set so has vanished."""
        return self.port is not None and not (self.port.is_present and self.port.lives == self.life)


class Limits:
    """The limits that have been set: `terminals` by device, `receiving` and `sending` (ns) by socket."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self.terminals: dict[Device, Timing] = {}
        self.receiving: dict[Device, int] = {}
        self.sending: dict[Device, int] = {}
        numbers = supervisor.machine.NUMBERS
        self._names = {numbers[name]: name for name in (*_RECEIVING, *_SENDING) if name in numbers}
        self._ended: dict[int, int | None] = {}
        self._marks: dict[int, bytes | None] = {}
        # Whose call goes on after an end that was none, for no character had come; and when that was.
        self._go_on: dict[int, int] = {}

    @property
    def are_none(self) -> bool:
        """Whether nothing has such a limit."""
        return not (self.terminals or self.receiving or self.sending)

    def timing(self, device: Device) -> Timing | None:
        """What a terminal has been set to."""
        timing = self.terminals.get(device)
        if timing is not None and timing.is_over:
            del self.terminals[device]
            return None
        return timing

    def forget_pty(self, number: int) -> None:
        """The tree has a new pty with that device number: what was set belonged to a former one."""
        for device, timing in list(self.terminals.items()):
            if device[1] == number and timing.port is None:
                del self.terminals[device]

    def set_deadlines(self) -> bool:
        """Give each call that waits under such a limit its deadline; True where one was new."""
        if self.are_none:
            return False
        found = False
        for task in self._supervisor.tree:
            if task.waiting is None and not task.is_stopped and self._begins(task):
                found = True
        return found

    def _begins(self, task: Task) -> bool:
        mark = task.rest()
        if task.read_until is not None and self._marks.get(task.tid) == mark:
            return False  # the same sleep as before
        call = task.call()
        name = self._names.get(call[0]) if call else None
        limit = None if name is None else self._limit(task, name, call[1])
        if limit is None:
            return False
        wait_ns, result = limit
        self._marks[task.tid] = mark
        if task.read_until is not None:
            task.read_until.cancel()
        now_ns = self._supervisor.world.now_ns
        if self._go_on.pop(task.tid, None) == now_ns:
            return False  # until a character comes, which it sleeps anew after
        until_ns = now_ns + wait_ns
        task.read_until = self._supervisor.time.at(until_ns, task, lambda: self._end(task, mark, result))
        return True

    def _limit(self, task: Task, name: str, descriptor: int) -> tuple[int, int | None] | None:
        """How long the call may wait, and what it then ends with: None where it goes on if nothing came.

        Time between characters runs from the first on.  Nobody can tell from outside whether one has come,
        but the kernel can: interrupted, a read gives what it has, or has nothing and is made again.
        """
        status = file_behind(task, descriptor)
        device, end = terminal(status), socket(status)
        if device is not None:
            timing = self.timing(device) if name in _READING else None
            if timing is None or timing.least == 1:
                return None
            return timing.tenths * _TENTH_NS, None if timing.is_between else _NOTHING
        if end is None:
            return None
        wait_ns = (self.receiving if name in _RECEIVING else self.sending).get(end)
        if wait_ns is None:
            return None
        return wait_ns, _EINPROGRESS if name == "connect" else _EAGAIN

    def _end(self, task: Task, mark: bytes | None, result: int | None) -> None:
        if self._supervisor.tree.get(task.tid) is task and task.rest() == mark:
            self._ended[task.tid] = result
            kernel.ptrace(kernel.INTERRUPT, task.tid)

    def has_ended(self, task: Task) -> bool:
        """Whether the stop is that of a call whose time is over: it then ends as the kernel would end it."""
        if task.tid not in self._ended:
            return False
        result = self._ended.pop(task.tid)
        registers = self._supervisor.registers
        registers.load(task.tid)
        if registers.number in self._names and registers.result == _ERESTARTSYS:
            if result is None:
                # It sleeps again before any other can run, unless they run anyway.
                if not self._supervisor.spinning.is_following:
                    self._go_on[task.tid] = self._supervisor.world.now_ns
            else:
                registers.number, registers.result = -1, result
                registers.store(task.tid)
        return True
