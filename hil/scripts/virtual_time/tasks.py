"""Tasks and processes of the tree: their memory, their state as the kernel tells it, their place.

A *task* is a thread; a process has one or more.  The place of a task in the tree says who comes first where
several do something at one instant.
"""

from __future__ import annotations

import contextlib
import os
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from hil.scripts.linux.caller import Memory
from hil.scripts.linux.kernel import GoneError, has_signals, is_stopped
from hil.scripts.linux.own_files import open_for_task

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from .calls.timers import Timer
    from .chains import Chain
    from .deadlines import Deadline

# States of /proc/PID/stat in which a task does nothing by itself: asleep, dead, and, where its group has been
# stopped, stopped; asleep beyond signals where it waits for its vfork child.
_ASLEEP: Final = b"S"
_DEAD: Final = (b"Z", b"X")
_STOPPED: Final = (b"T", b"t")
_DEEP: Final = b"D"
_RUNNING_CALL: Final = b"r"
# The mark of those that are not let go on at all.
_PARKED: Final = b"parked"


@dataclass(slots=True)
class Waiting:
    """A call that the supervisor has changed and that the kernel carries out: how it ends.

    `finish` gets the call's result and returns the one that the task sees.
    """

    number: int
    arguments: tuple[int, ...]
    finish: Callable[[int], int]
    deadline: Deadline | None = None
    is_kicked: bool = False
    registers: bytes = b""


@dataclass(slots=True)
class Interrupted:
    """A wait that a signal has interrupted: the kernel may restart it, and its deadline is still the same."""

    call: tuple[object, ...]
    until_ns: int


class Process(Memory):
    """One process: memory, timers, clocks.

    *parent* has started it; it `has_children` once it has started any.
    """

    def __init__(self, pid: int, parent: Process | None = None) -> None:
        super().__init__(pid)
        self.parent = parent
        self.has_children = False
        # Processor time of those that it has started and that have ended.
        self.children_s = 0.0
        self.tasks = 0
        self.alarm: Timer | None = None
        self.timers: dict[tuple[str, int], Timer] = {}
        # What `clock_page` knows of it: where these are, 0 for nowhere, and counts of reads.
        self.vdso = self.clock_page = 0
        self.clock_reads = self.clock_budget = 0

    def forget_timers(self) -> None:
        """The timers that the process has made are gone (exec, or its end); its alarm outlives an exec."""
        for timer in self.timers.values():
            timer.close()
        self.timers.clear()


@dataclass(slots=True, eq=False)
class Task:
    """One thread, at its *place* in the tree: the root's is (0,), its third child's (0, 3).

    One that `keeps_others` is of the sandbox and not of the script: it does nothing until somebody ends.
    """

    tid: int
    process: Process
    place: tuple[int, ...]
    children: int = 0
    keeps_others: bool = False
    has_started: bool = False
    is_in_vfork: bool = False
    vfork_parent: Task | None = None
    is_stopped: bool = False
    has_ended: bool = False
    is_held: bool = False
    is_parked: bool = False
    waiting: Waiting | None = None
    chain: Chain | None = None
    interrupted: Interrupted | None = None
    read_until: Deadline | None = None
    _files: tuple[int, ...] = field(default=())
    _rested: bytes = b""

    def end_vfork(self) -> None:
        """It has a memory of its own now, or none: its parent goes on."""
        if self.vfork_parent is not None:
            self.vfork_parent.is_in_vfork = False
            self.vfork_parent = None

    @property
    def is_at_stop(self) -> bool:
        """Whether it goes on only when it is let."""
        return self.is_parked or self.is_held

    def rest(self, *, deep: bool = False) -> bytes | None:
        """A mark that stays the same for as long as the task sleeps; None while it is not at rest.

        The state alone can lie: a task that is still on its way to sleep counts as asleep.  So the call must
        not read as running, and whoever asks twice must get the same mark.  *deep* sleep, beyond signals,
        counts only where that is asked for: it is mostly short.
        """
        if not self.has_started:
            return None
        if self.is_parked:
            return self._rest_at_stop()
        try:
            stat, call, schedule = self._files or self._opened()
            text = os.pread(stat, 512, 0)
            place = text.rindex(b")") + 2
            state = text[place : place + 1]
            mark = os.pread(schedule, 64, 0)
            if state == _ASLEEP:
                if mark != self._rested and os.pread(call, 256, 0)[:1] == _RUNNING_CALL:
                    return None
                self._rested = mark  # whoever has not run since is still asleep
            elif not self._rests_in(state) and not (deep and state == _DEEP):
                return None
        except (OSError, ValueError):
            return None
        return mark

    def is_running(self) -> bool:
        """Whether the task runs for sure: where not, it may still be about to."""
        try:
            return os.pread(self._opened()[1], 8, 0)[:1] == _RUNNING_CALL
        except OSError:
            return False

    def _rest_at_stop(self) -> bytes | None:
        """The same for one that is parked: it rests, unless it has been killed."""
        return _PARKED if is_stopped(self.tid) else None

    def _rests_in(self, state: bytes) -> bool:
        if state in _DEAD:
            return True
        return (state in _STOPPED and (self.is_stopped or self.is_held)) or (
            state == _DEEP and self.is_in_vfork
        )

    def call(self) -> list[int]:
        """The call that the task is in and its arguments, as numbers; empty where it is in none."""
        try:
            text = os.pread(self._opened()[1], 256, 0)
        except OSError:
            return []
        words = text.split()
        return [int(word, 0) for word in words] if len(words) > 1 else []

    def has_run(self) -> bytes:
        """For how long, and how often, as the kernel has it: another text after each time."""
        try:
            return os.pread(self._opened()[2], 64, 0)
        except OSError:
            return b""

    def processor_ns(self) -> int:
        """Processor time so far."""
        try:
            return int(self.has_run().split()[0])
        except (ValueError, IndexError):
            return 0

    def name(self) -> str:
        """The program's name."""
        try:
            with open(f"/proc/{self.tid}/comm", encoding="utf-8", errors="replace") as file:  # often
                return file.read().strip()
        except OSError:
            return "?"

    def number_within(self) -> int | None:
        """The number that it has for those in its own pid namespace."""
        try:
            with open(f"/proc/{self.tid}/status", encoding="ascii", errors="replace") as file:  # as above
                return next((int(line.split()[-1]) for line in file if line.startswith("NSpid:")), None)
        except OSError:
            return None

    def is_signalled(self) -> bool:
        """Whether a signal is pending that is not blocked, for a task that is at a stop."""
        try:
            if not has_signals(self.tid):
                return False
        except GoneError:
            return False
        masks = dict.fromkeys(("SigPnd", "ShdPnd", "SigBlk"), 0)
        try:
            with open(f"/proc/{self.tid}/status", encoding="ascii", errors="replace") as file:  # as above
                for line in file:
                    name, _, value = line.partition(":")
                    if name in masks:
                        masks[name] = int(value, 16)
        except OSError:
            return True
        return bool((masks["SigPnd"] | masks["ShdPnd"]) & ~masks["SigBlk"])

    def catches(self, signal: int) -> bool:
        """Whether the task has a handler for *signal*."""
        try:
            with open(f"/proc/{self.tid}/status", encoding="ascii", errors="replace") as file:  # as above
                for line in file:
                    if line.startswith("SigCgt:"):
                        return bool(int(line[7:], 16) >> (signal - 1) & 1)
        except OSError:
            pass
        return True

    def close(self) -> None:
        """Let go of its files in /proc."""
        for file in self._files:
            os.close(file)
        self._files = ()

    def _opened(self) -> tuple[int, ...]:
        if not self._files:
            folder = f"/proc/{self.process.pid}/task/{self.tid}"
            opened: list[int] = []
            try:
                for name in ("stat", "syscall", "schedstat"):
                    opened.append(open_for_task(f"{folder}/{name}", os.O_RDONLY))  # noqa: PERF401 # those that are open count where one fails
            except Exception:
                for file in opened:
                    with contextlib.suppress(OSError):
                        os.close(file)
                raise
            self._files = tuple(opened)
        return self._files


class Tree:
    """All tasks there are, by number, in the order of their places."""

    def __init__(self) -> None:
        self._tasks: dict[int, Task] = {}
        self._processes: dict[int, Process] = {}

    def __iter__(self) -> Iterator[Task]:
        return iter(list(self._tasks.values()))

    def __len__(self) -> int:
        return len(self._tasks)

    @property
    def tasks(self) -> Iterable[Task]:
        """All tasks, for whoever changes nothing meanwhile."""
        return self._tasks.values()

    def get(self, tid: int) -> Task | None:
        """The task of that number."""
        return self._tasks.get(tid)

    @property
    def processes(self) -> list[Process]:
        """All processes."""
        return list(self._processes.values())

    def processor_ns(self) -> int:
        """Processor time so far of all tasks there are."""
        return sum(task.processor_ns() for task in self._tasks.values())

    def have_run(self) -> dict[Process, list[bytes]]:
        """By process of the script, for each task something that changes whenever it runs."""
        found: dict[Process, list[bytes]] = {}
        for task in self:
            if not task.keeps_others:
                found.setdefault(task.process, []).append(task.has_run())
        return found

    def add(self, tid: int, pid: int, place: tuple[int, ...], parent: Process | None = None) -> Task:
        """A task that has come, started by *parent*."""
        process = self._processes.get(pid)
        if process is None:
            process = self._processes[pid] = Process(pid, parent)
            if parent is not None:
                parent.has_children = True
        process.tasks += 1
        task = self._tasks[tid] = Task(tid, process, place)
        return task

    def leaves_to_keepers(self, process: Process) -> bool:
        """Whether *process*, which has ended, or its children are waited for by those who keep the others."""
        return process.has_children or self.is_kept(process)

    def is_kept(self, process: Process) -> bool:
        """Whether *process* is waited for by those who keep the others, by none of the script's own."""
        if process.parent is None:
            return True
        parent = self.get(process.parent.pid)
        return parent is None or parent.process is not process.parent or parent.keeps_others

    def has_process(self, pid: int) -> bool:
        """Whether any task of the process is left."""
        return pid in self._processes

    def remove(self, task: Task) -> bool:
        """A task that has gone; True where its process has gone with it."""
        self._tasks.pop(task.tid, None)
        task.has_ended = True
        task.close()
        process = task.process
        process.tasks -= 1
        if process.tasks:
            return False
        process.forget_memory()
        self._processes.pop(process.pid, None)
        return True
