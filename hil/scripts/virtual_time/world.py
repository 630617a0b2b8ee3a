"""The model as the supervisor of a process tree sees it: one clock, what comes from outside, what is due."""

from __future__ import annotations

import os
import select
from typing import TYPE_CHECKING, Final

from hil.scripts.linux.caller import SECOND_NS

from .made_handles import MadeHandles

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from simulator.edges.calls import Calls
    from simulator.edges.pacing import Driver
    from simulator.edges.port_edges import PtyEdges
    from simulator.module.port import Port
    from simulator.module.uart import Uart

    from .tasks import Tree

# What CLOCK_MONOTONIC shows when a run begins: a host that has been up for a while.
_UPTIME_NS: Final = 1_000 * SECOND_NS


def uptime_ns(now_ns: int) -> int:
    """How long the host has been up at *now_ns* of the model's time."""
    return now_ns + _UPTIME_NS


class World:
    """*start_ns* is the wall clock's at the beginning of the run, since 1970; *calls* ask the model.

    `now_ns` is the model's time; `monotonic_ns` and `wall_ns` are what a program's clocks show; `ports` are
    the module's.
    """

    def __init__(self, driver: Driver, edges: PtyEdges, *, start_ns: int, calls: Calls) -> None:
        self._driver, self._edges, self._calls = driver, edges, calls
        self._timeline = driver.model.timeline
        self._wall_offset_ns = start_ns
        self.ports: Sequence[Port] = [edge.port for edge in edges.by_role.values()]

    @property
    def now_ns(self) -> int:
        """Nanoseconds since the run began."""
        return self._timeline.now_ns

    @property
    def monotonic_ns(self) -> int:
        """What clocks that nobody sets show."""
        return uptime_ns(self._timeline.now_ns)

    @property
    def wall_ns(self) -> int:
        """What the wall clock shows: nanoseconds since 1970, in UTC."""
        return self._timeline.now_ns + self._wall_offset_ns

    def set_wall(self, wall_ns: int) -> None:
        """The program has set the wall clock: time itself does not move."""
        self._wall_offset_ns = wall_ns - self._timeline.now_ns

    def from_monotonic(self, value_ns: int) -> int:
        """An instant of such a clock, in the model's time."""
        return value_ns - _UPTIME_NS

    def from_wall(self, value_ns: int) -> int:
        """An instant of the wall clock, in the model's time."""
        return value_ns - self._wall_offset_ns

    @property
    def serial(self) -> Uart | None:
        """The module's serial line, where the host has one."""
        return self._driver.model.module.serial

    def settle(self) -> bool:
        """Take in what has come from outside; True where anything has."""
        return self._driver.descriptors.look()

    def answer(self) -> None:
        """Answer who waits for the model behind a file, and take in nothing else."""
        self._calls.process()

    def ask_who_holds(self, is_held: Callable[[tuple[int, int]], bool]) -> None:
        """*is_held* knows whether the pty with a device number is held by anybody."""
        for edge in self._edges.by_role.values():
            edge.is_held = is_held

    def line_handles(self, tree: Tree) -> MadeHandles | None:
        """What *tree* holds of the host's GPIO chip; its events have the times of the tree's clocks."""
        chip = self._driver.model.gpio_chip
        chip.stamp_ns = lambda is_wall: self.wall_ns if is_wall else self.monotonic_ns
        return MadeHandles(chip, tree, self._driver.descriptors)

    def arrive(self) -> None:
        """Let what the model has said be there for whoever reads."""
        self._edges.arrive()

    def next_due_ns(self) -> int | None:
        """When the model does something next."""
        return self._timeline.next_due_ns()

    def run_next_instant(self) -> None:
        """Let the model do it."""
        self._timeline.run_next_instant()

    def run_until(self, at_ns: int) -> None:
        """Move to *at_ns*, before which nothing is due."""
        self._timeline.run_until(max(at_ns, self._timeline.now_ns))

    def port_at(self, device: tuple[int, int]) -> Port | None:
        """The port whose terminal is that device: its file system's number and its own."""
        for edge in self._edges.by_role.values():
            path = edge.path
            if path is None:
                continue
            status = os.stat(path)
            if (status.st_dev, status.st_rdev) == device:
                return edge.port
        return None


class Servants:
    """Threads of this process that serve others' file systems: whether they wait for work.

    *asking* are those that ask the model, *answering* those that answer by themselves; each is a (thread,
    descriptor) pair.  A thread that has taken a request and not yet answered it is in no read of its
    descriptor.
    """

    def __init__(self, asking: Sequence[tuple[int, int]], answering: Sequence[tuple[int, int]]) -> None:
        self._asking, self._answering = (
            [
                (descriptor, _state_of(thread), f" {descriptor:#x} ".encode())
                for thread, descriptor in servants
            ]
            for servants in (asking, answering)
        )
        self._poll = select.poll()
        for _, descriptor in (*asking, *answering):
            self._poll.register(descriptor, select.POLLIN)

    def look(self) -> tuple[bool, bool]:
        """Whether a request is being answered without the model; whether one to the model is under way."""
        wanted = self._poll.poll(0)
        return _is_any_busy(self._answering, wanted), _is_any_busy(self._asking, wanted)

    def close(self) -> None:
        """Look at them no more."""
        for _, state, _ in (*self._asking, *self._answering):
            os.close(state)


def _state_of(thread: int) -> int:
    return os.open(f"/proc/self/task/{thread}/syscall", os.O_RDONLY | os.O_CLOEXEC)


def _is_any_busy(servants: Sequence[tuple[int, int, bytes]], wanted: Sequence[tuple[int, int]]) -> bool:
    """Whether a request waits for one of them, or one waits for none: its call's first argument tells."""
    for descriptor, state, waits in servants:
        if wanted and any(descriptor == one for one, _ in wanted):
            return True
        text = os.pread(state, 256, 0)
        if not text.startswith(waits, text.find(b" ")):
            return True
    return False
