"""The GPIO device at real pace: its ioctls are held and answered; all else is the kernel's own, and its time.

A task comes by a handle without making a call: the kernel puts a socket into its table of descriptors.
"""

from __future__ import annotations

import errno
import os
import socket
import subprocess
import time
from contextlib import closing, suppress
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING

from hil.scripts.linux.architecture import UnknownArchitectureError, this_machine
from hil.scripts.linux.caller import Memory
from hil.scripts.linux.filter import holding_program
from hil.scripts.linux.kernel import GoneError

from .answers import answer, control_in
from .handles import LineHandles
from .held_calls import HeldCalls

if TYPE_CHECKING:
    from collections.abc import Iterator

    from hil.scripts.linux.caller import Caller, Steps
    from simulator.edges.descriptors import Descriptors
    from simulator.edges.pacing import Driver
    from simulator.host.gpio_chip import GpioChip

    from .handles import ChipHandle, LinesHandle


@dataclass(frozen=True, slots=True)
class _Held:
    """A task whose call is held."""

    tid: int
    process: Memory


def hold_line_calls() -> HeldCalls:
    """Hold the device's ioctls of what is started with it; raises OSError, UnknownArchitectureError."""
    machine = this_machine()
    return HeldCalls(holding_program(machine), number=machine.SECCOMP)


@cache
def why_not() -> str | None:
    """What keeps the device from being answered for here, with the cure; None where it can be."""
    try:
        held = hold_line_calls()
    except UnknownArchitectureError as error:
        return f"this machine's architecture is not known ({error})"
    except OSError as error:
        return (
            f"calls cannot be held here ({error.strerror}): that takes Linux 5.9, and in a container seccomp "
            "must be allowed, with a listener of which there may be one only"
        )
    with closing(held):
        if not held.can_give():
            return "programs cannot be given descriptors here: that takes Linux 5.9"
        with held.start(["cat"], stdin=subprocess.PIPE) as program:
            try:
                with Path(f"/proc/{program.pid}/mem").open("r+b"):
                    pass
            except OSError as error:
                return (
                    f"the memory of programs cannot be reached here ({error.strerror}): in a container allow "
                    "ptrace (SYS_PTRACE), or set kernel.yama.ptrace_scope below 3 by sysctl"
                )
    return None


class GivenHandles(LineHandles):
    """Handles that the kernel puts into a task whose call is held."""

    def __init__(self, chip: GpioChip, held: HeldCalls, descriptors: Descriptors) -> None:
        super().__init__(chip, descriptors)
        self._held = held
        self._call = 0
        self._given: list[LinesHandle | ChipHandle] = []
        self._namespace = ""

    def begin(self, task: Caller, call: int) -> None:
        """The task's *call* is going to be answered."""
        self._call = call
        self._given.clear()
        with suppress(OSError):
            self._namespace = str(Path(f"/proc/{task.tid}/ns/pid").readlink())

    def undo(self) -> None:
        """The call has never been answered: nobody knows of what was given meanwhile."""
        for handle in self._given:
            self._close(handle)

    def give(
        self, task: Caller, handle: LinesHandle | ChipHandle, *, flags: int, instead_of: int | None = None
    ) -> Steps:
        """The kernel does it; nothing has to be done by the task."""
        del task
        yield from ()
        ours, theirs = socket.socketpair()
        with theirs:
            status = os.fstat(theirs.fileno())
            os.set_blocking(theirs.fileno(), not flags & os.O_NONBLOCK)
            try:
                given = self._held.give(
                    self._call, theirs.fileno(), flags=flags & os.O_CLOEXEC, at=instead_of
                )
            except OSError as error:
                ours.close()
                return -(error.errno or errno.EIO)
        self._adopt(ours, (status.st_dev, status.st_ino), handle)
        self._given.append(handle)
        return given

    def take_back(self, task: Caller, handle: LinesHandle, descriptor: int) -> Steps:
        """Nothing can be taken away from a task: it keeps a descriptor that is dead."""
        del task, descriptor
        yield from ()
        self._close(handle)
        return 0

    def _holders(self) -> Iterator[Memory]:
        """All that are in the sandbox."""
        for folder in Path("/proc").glob("[0-9]*"):
            with suppress(OSError):
                if str((folder / "ns" / "pid").readlink()) == self._namespace:
                    yield Memory(int(folder.name))


class PacedLines:
    """Answers for the device on the model's loop, until closed: *held* are the calls of a tree."""

    def __init__(self, driver: Driver, held: HeldCalls) -> None:
        self._held, self._descriptors = held, driver.descriptors
        chip, timeline = driver.model.gpio_chip, driver.model.timeline

        def stamp_ns(is_wall: bool) -> int:  # as the chip asks
            """By the clocks that the program itself reads."""
            own_ns = driver.monotonic_ns(timeline.now_ns)
            return own_ns + time.time_ns() - time.monotonic_ns() if is_wall else own_ns

        chip.stamp_ns = stamp_ns
        self._handles = GivenHandles(chip, held, driver.descriptors)
        self._descriptors.add_reader(held.descriptor, self._take)

    def _take(self) -> None:
        """Answer the next call."""
        call = self._held.receive()
        if call is None:
            return
        process = Memory(call.tid)
        task = _Held(call.tid, process)
        result: int | None = -errno.EIO  # where this goes wrong, the task is not left waiting
        self._handles.begin(task, call.number)
        try:
            process.read_some(0, 0)  # its memory is open from here on, whatever becomes of its number
            if self._held.is_there(call.number):
                result = self._answer(task, call.arguments)
        except GoneError:  # killed meanwhile
            pass
        finally:
            process.forget_memory()
            if not self._held.answer(call.number, result):
                self._handles.undo()

    def _answer(self, task: Caller, arguments: tuple[int, ...]) -> int | None:
        result = answer(self._handles, task, control_in(arguments))
        if result is None or isinstance(result, int):
            return result
        try:
            next(result)
        except StopIteration as end:
            return int(end.value)
        raise AssertionError("nothing is done by the task")

    def close(self) -> None:
        """Let go of everything that is held; harmless when called again."""
        self._descriptors.remove_reader(self._held.descriptor)
        self._handles.close()
