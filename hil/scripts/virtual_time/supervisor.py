"""A process tree in, its whole life on the model's clock out.

Every task of the tree is traced.  Calls that wait or tell the time stop (see `filter` and `under_way`).  Time
moves only when every task rests, and the model has nothing to take in.

Whoever makes a `Supervisor` gives it this process's children: it waits for all of them.
"""

from __future__ import annotations

import contextlib
import os
import signal
from typing import TYPE_CHECKING, Final

from hil.scripts.linux import kernel
from hil.scripts.linux.architecture import this_machine
from hil.scripts.linux.filter import program
from hil.scripts.linux.kernel import GoneError, ptrace
from hil.scripts.linux.own_files import many_files

from .clock_page import ClockPages
from .ending import Ending
from .entropy import Entropy
from .hang import describe, who_waits
from .limits import Limits
from .passing import Passing
from .processors import bind, choose_processor
from .programs import begin_program
from .resting import Resting, Seen
from .spinning import Spinning
from .tasks import Task, Tree
from .terminals import Terminals
from .under_way import CallsUnderWay

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence
    from resource import struct_rusage

    from .probe import StillWorld
    from .world import Servants, World

_STOP_SIGNALS: Final = (signal.SIGSTOP, signal.SIGTSTP, signal.SIGTTIN, signal.SIGTTOU)
_SYSCALL_STOP: Final = signal.SIGTRAP | 0x80
_SIGNALLED: Final = 128
# How long to wait for the next stop of those that run, in wall seconds, before all are looked at: doubling.
_SHORTEST_S, _LONGEST_S = 1e-4, 4e-4
# Looks for a stop before that, each of about a microsecond: to be woken takes longer.  A short run leaves the
# processor to whoever gets the next one ready meanwhile.
_LOOKS_AT_ONCE, _LOOKS_LATER = 50, 500
_STOPS_OF_A_SHORT_RUN: Final = 300
# And so many stops are taken before anything else is looked at.
_STOPS_AT_ONCE: Final = 100
# How long tasks may rest in calls that nobody times before that is called a hang.
_EMPTY_LOOKS: Final = 12
# At the end, what is left dies within milliseconds, unless it waits for the model.
_IDLE_LOOKS: Final = 20


class HungError(Exception):
    """Every task waits, nothing is due, and nothing will ever come; the text says who waits for what."""


class Supervisor:
    """One tree.  `run` returns the root's status as a shell gives it.

    *seed* makes the random bytes that programs ask for.  The tree runs on *processor* alone.  `is_exact` is
    False once virtual time had to follow processor time.  `tree_s` is the processor time that the tree has
    used.
    """

    def __init__(
        self, world: World | StillWorld, *, seed: int, servants: Servants, processor: int | None = None
    ) -> None:
        self.processor = choose_processor() if processor is None else processor
        self.world, self.machine = world, this_machine()
        self.tree, self.time = Tree(), Passing(self)
        self.registers = self.machine.Registers()
        self.entropy = Entropy(seed)
        self.terminals, self.limits = Terminals(self), Limits(self)
        world.ask_who_holds(self.terminals.is_held)
        self.spinning, self.clock_pages = Spinning(self), ClockPages(self)
        self.calls, self.resting = CallsUnderWay(self), Resting(self, servants)
        self.ending = Ending(self)
        self.line_handles = world.line_handles(self.tree)
        self.names = {number: name for name, number in self.machine.NUMBERS.items()}
        self.tree_s = 0.0
        self.notices: list[str] = []
        self.status: int | None = None
        self._early: dict[int, int] = {}
        self._stops = 0
        # Whether somebody whose stop was just taken has gone on, and so runs.
        self._has_gone_on = False
        self._root = 0
        self._cancelled: Callable[[], bool] = lambda: False

    @property
    def is_exact(self) -> bool:
        """Whether every instant is what it would be on any other machine."""
        return not self.spinning.has_followed

    def notice(self, text: str) -> None:
        """Tell the user something once."""
        if text not in self.notices:
            self.notices.append(text)

    # -- the tree's beginning and end -----------------------------------------------

    def spawn(
        self, command: Sequence[str], *, environment: Mapping[str, str], streams: tuple[int, int, int]
    ) -> None:
        """Start *command* with its standard *streams*."""
        code = program(self.machine)
        told, tell = os.pipe()
        pid = os.fork()
        if pid == 0:
            with contextlib.suppress(BaseException):
                os.close(tell)
                os.read(told, 1)
                self._become(command, environment, streams, code)
            os._exit(127)
        os.close(told)
        try:
            self.adopt(pid)
        except BaseException:
            os.kill(pid, signal.SIGKILL)
            os.waitpid(pid, 0)
            raise
        else:
            os.write(tell, b"x")
        finally:
            os.close(tell)

    def _become(
        self,
        command: Sequence[str],
        environment: Mapping[str, str],
        streams: tuple[int, int, int],
        code: bytes,
    ) -> None:
        """In the child: everything as the command expects to find it, then the command."""
        os.setsid()
        signal.pthread_sigmask(signal.SIG_SETMASK, ())
        for handled in (signal.SIGPIPE, signal.SIGXFSZ, signal.SIGINT, signal.SIGTERM, signal.SIGHUP):
            signal.signal(handled, signal.SIG_DFL)
        for number, stream in enumerate(streams):
            os.dup2(stream, number)
        kernel.install_filter(code, number=self.machine.SECCOMP)
        os.execvpe(command[0], list(command), dict(environment))  # noqa: S606 # no shell is wanted

    def adopt(self, pid: int) -> None:
        """Trace the process *pid*, which has the filter or gets it later, and all that it will start.

        Raises GoneError where it has ended, PermissionError where it may not be traced.
        """
        with contextlib.suppress(ProcessLookupError):
            bind(pid, self.processor)
        ptrace(kernel.SEIZE, pid, 0, kernel.OPTIONS)
        self._root = pid
        task = self.tree.add(pid, pid, (0,))
        task.has_started = task.keeps_others = True

    def run(self, cancelled: Callable[[], bool] = lambda: False) -> int | None:
        """Serve the tree until its root has ended; None where its time was over or *cancelled* became true.

        Whatever is left of the tree then is killed.  Raises HungError.
        """
        with many_files():
            return self._run(cancelled)

    def _run(self, cancelled: Callable[[], bool]) -> int | None:
        self._cancelled = cancelled
        kernel.set_timer_slack(1)
        before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGCHLD})
        try:
            self._serve()
            if self.time.is_over:
                self.notice(f"when its time was over: {who_waits(self)}")
            return self.status
        finally:
            self._end_all()
            if self.line_handles is not None:
                self.line_handles.close()
            signal.pthread_sigmask(signal.SIG_SETMASK, before)
            kernel.set_timer_slack(kernel.USUAL_SLACK_NS)

    def _serve(self) -> None:
        pause_s, empty = _SHORTEST_S, 0
        while self.tree.has_process(self._root) and not self._is_over():
            if self.take_stops():
                pause_s = _SHORTEST_S
                if self._has_gone_on:
                    self._let_run(pause_s)
                    continue
            match self.resting.look(is_late=pause_s == _LONGEST_S):
                case Seen.CHANGE:
                    pause_s = _SHORTEST_S
                case Seen.BUSY:
                    if self.ending.is_enough():
                        return
                    self._let_run(pause_s)
                    pause_s = min(2 * pause_s, _LONGEST_S)
                case Seen.REST if self._goes_on():
                    empty = 0
                case _:
                    if self.ending.has_come:
                        return
                    empty += 1
                    if empty > _EMPTY_LOOKS:
                        raise HungError(describe(self))
                    _await_stop(_LONGEST_S * empty)

    def _soon_stops(self) -> os.waitid_result | None:
        """One of those that run, where it stops at once: to wait for that would take longer."""
        if kernel.this_processor() == self.processor:
            return None  # while this looks, they cannot run
        for _ in range(_LOOKS_AT_ONCE if self._stops < _STOPS_OF_A_SHORT_RUN else _LOOKS_LATER):
            stop = kernel.next_stop()
            if stop is not None:
                return stop
        return None

    def _let_run(self, seconds: float) -> None:
        """Somebody runs: wait until one stops, or for so long."""
        self.spinning.follow_processor()
        if self.spinning.is_following and (self.world.settle() or self.calls.release_one()):
            return  # whoever waits until all others rest has waited for long enough
        _await_stop(seconds)

    def _goes_on(self) -> bool:
        """Everybody rests and nothing is on its way: let the next go on; False where nobody ever will."""
        if (
            self.calls.unpark_signalled(self.calls.parked)
            or self.calls.release_one()
            or self.limits.set_deadlines()
        ):
            return True
        if self.ending.has_come:
            return False
        self.spinning.time_moves()
        return self.time.fire()

    def _is_over(self) -> bool:
        return self._cancelled() or self.time.is_over

    def _end_all(self) -> None:
        """Kill what is left, wait until it has gone, and take in what came from it."""
        idle = 0
        while len(self.tree):
            for process in self.tree.processes:
                with contextlib.suppress(ProcessLookupError):
                    os.kill(process.pid, signal.SIGKILL)
            try:
                pid, status = os.waitpid(-1, kernel.WALL | os.WNOHANG)
            except ChildProcessError:
                break
            if pid == 0:
                idle += 1
                if idle % _IDLE_LOOKS == 0:
                    # A service of the model may hold a dying task: a request that nobody answers keeps it.
                    self.world.settle()
                _await_stop(_LONGEST_S)
                continue
            task = self.tree.get(pid)
            if os.WIFSTOPPED(status):
                with contextlib.suppress(GoneError):
                    if status >> 16 in (kernel.EVENT_FORK, kernel.EVENT_VFORK, kernel.EVENT_CLONE) and task:
                        self._add_child(task, kernel.event_message(pid), is_thread=False)
                    ptrace(kernel.CONT, pid)
            elif task is not None:
                self._remove(task, status)
        self.world.settle()

    # -- stops --------------------------------------------------------------------

    def take_stops(self) -> bool:
        """Handle every stop that there is, and those that follow at once; True where there was any."""
        found, sleepers, self._has_gone_on = False, self.calls.parked, False
        for _ in range(_STOPS_AT_ONCE):
            stop = kernel.next_stop()
            if stop is None and self._has_gone_on:
                stop = self._soon_stops()
                self._has_gone_on = stop is None
            if stop is None:
                break
            if self.ending.is_this(stop):
                self.ending.comes()
            pid, status, used = kernel.take(stop)
            if pid == 0:
                continue  # it has been killed at its stop, and its end is yet to come
            self._stops += 1
            found, task = True, self.tree.get(pid)
            if task is None:
                self._early[pid] = status  # a child's first stop may come before its parent's event
                continue
            try:
                self._take_stop(task, status, used)
            except GoneError:
                continue
            if not (task.has_ended or task.is_at_stop or task.is_stopped):
                self._has_gone_on = True
        if found and sleepers:
            # Whoever went on may have sent them signals.
            self.calls.unpark_signalled(sleepers)
        return found

    def _take_stop(self, task: Task, status: int, used: struct_rusage | None = None) -> None:
        if not os.WIFSTOPPED(status):
            if used is not None and task.tid == task.process.pid:
                self._count(task, used.ru_utime + used.ru_stime)
            self._remove(task, status)
            return
        number, event = os.WSTOPSIG(status), status >> 16
        task.is_stopped = False
        if event == kernel.EVENT_SECCOMP:
            self.calls.begins(task)
        elif number == _SYSCALL_STOP and not event:
            self.calls.ends(task)
        elif event in (kernel.EVENT_FORK, kernel.EVENT_VFORK, kernel.EVENT_CLONE):
            self._task_begins(task, event)
        elif event == kernel.EVENT_EXEC:
            self._program_begins(task)
        elif event == kernel.EVENT_STOP:
            self._group_stops(task, number)
        elif event:
            _resume(task)
        else:
            if task.interrupted is not None and task.catches(number):
                task.interrupted = None
            _resume(task, number)

    def _task_begins(self, task: Task, event: int) -> None:
        child = kernel.event_message(task.tid)
        added = self._add_child(task, child, is_thread=event == kernel.EVENT_CLONE)
        if event == kernel.EVENT_VFORK:
            added.vfork_parent, task.is_in_vfork = task, True
        _resume(task)
        early = self._early.pop(child, None)
        if early is not None:
            self._take_stop(added, early)

    def _add_child(self, task: Task, child: int, *, is_thread: bool) -> Task:
        pid = _process_of(child) if is_thread else child
        task.children += 1
        added = self.tree.add(child, pid, (*task.place, task.children), task.process)
        added.keeps_others = task.keeps_others
        if pid == child:
            self.clock_pages.inherit(added.process, task.process)
        return added

    def _program_begins(self, task: Task) -> None:
        former = self.tree.get(kernel.event_message(task.tid))
        for other in self.tree:
            if other is not task and (other is former or other.process is task.process):
                self._forget(other)
        task.keeps_others = False
        task.end_vfork()
        task.process.forget_memory()
        self.calls.forget(task)
        task.interrupted = None
        task.process.forget_timers()
        self.spinning.program_begins()
        self.resting.has_begun = True
        if self.ending.script is None:
            self.ending.script = task.process
        begin_program(self, task)
        _resume(task)

    def _group_stops(self, task: Task, number: int) -> None:
        if not task.has_started:
            task.has_started = True
            _resume(task)
        elif self.limits.has_ended(task):
            _resume(task)
        elif number in _STOP_SIGNALS:
            task.is_stopped = True
            ptrace(kernel.LISTEN, task.tid)
            self.calls.unpark(other for other in self.tree if other.process is task.process)
        elif self.ending.has_come and task.keeps_others:
            task.is_stopped = True
        else:
            _resume(task)

    def _count(self, task: Task, used_s: float) -> None:
        """What a process has used, with those that it has waited for: nobody else of the script may tell."""
        process = task.process
        self.spinning.ended(max(used_s - process.children_s, 0.0))
        if process.parent is not None and not self.tree.is_kept(process):
            process.parent.children_s += used_s
        elif not task.keeps_others:
            self.tree_s += used_s

    def _remove(self, task: Task, status: int) -> None:
        is_script = self.ending.script is not None and task.tid == self.ending.script.pid
        if is_script or (task.tid == self._root and self.ending.script is None):
            self.status = os.WEXITSTATUS(status) if os.WIFEXITED(status) else _SIGNALLED + os.WTERMSIG(status)
        self._forget(task)

    def _forget(self, task: Task) -> None:
        task.end_vfork()
        self.calls.forget(task)
        if task.read_until is not None:
            task.read_until.cancel()
        if self.tree.remove(task):
            self.resting.has_any_ended |= self.tree.leaves_to_keepers(task.process)
            if task.process.alarm is not None:
                task.process.alarm.close()
            task.process.forget_timers()


def _await_stop(seconds: float) -> None:
    """Until a child or a task stops, or ends, or for so long."""
    signal.sigtimedwait((signal.SIGCHLD,), seconds)


def _resume(task: Task, signal_number: int = 0) -> None:
    """Let the task go on: up to its next call where it is to make some that it does not know of."""
    ptrace(kernel.SYSCALL if task.chain is not None else kernel.CONT, task.tid, 0, signal_number)


def _process_of(tid: int) -> int:
    """The process that a new task belongs to: a clone may be either."""
    try:
        with open(f"/proc/{tid}/status", encoding="ascii", errors="replace") as file:  # often
            for line in file:
                if line.startswith("Tgid:"):
                    return int(line[5:])
    except OSError:
        pass
    return tid
