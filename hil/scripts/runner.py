"""A command in, what it did to the bench out: run inside the sandbox, at virtual pace or against the wall.

Its output, its end and everything that passes through header and ports land on one recording.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import signal
import sys
import time
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING, Final

from hil.errors import BenchError, BenchUndecidedError, BenchUnfitError, UsageError
from simulator.edges.port_edges import PtyEdges
from simulator.kernel.timeline import ns

from .interruption import Interruption
from .linux.kernel import GoneError
from .output import LANE, Output
from .paced_stage import PacedStage
from .process import Reports, Stream
from .sandbox import (
    check_command,
    passed_on,
    probe,
    working_folder,
)
from .stage import Stage
from .virtual_time.probe import why_not
from .virtual_time.supervisor import HungError, Supervisor
from .virtual_time.world import Servants, World

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from hil.bench.files import BenchDescription
    from hil.bench.served import ServedBench
    from hil.recording.query import Recording

    from .stage import Stages

# The longest limit, in seconds of the bench's time: thirty years.
LONGEST_S: Final = 1e9
# How long a killed tree may take to go, in wall seconds.
_KILL_S: Final = 5.0


class ScriptInterruptedError(BenchError):
    """Somebody ended wakebench while a script ran: there is no verdict on the script."""

    def __init__(self, number: int) -> None:
        self.number = number
        name = signal.Signals(number).name
        super().__init__(f"interrupted by {name}: the script and all it had started were ended, no verdict")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScriptRun:
    """One run: *status* as a shell gives it (128 + n for signal n), None where the time limit ended it.

    *bench_s* is the bench's time that it took, *wall_s* the wall's, *late_s* how late its latest action was.
    At virtual pace (*is_virtual*) *tree_s* is the processor time of all its processes.  *is_exact* says
    whether every instant is what it would be on any machine, *hung* who waited for what where nothing would
    ever have come; *notices* is what the user should know.
    """

    status: int | None
    stdout: bytes
    stderr: bytes
    bench_s: float
    wall_s: float
    late_s: float
    recording: Recording
    is_virtual: bool = False
    tree_s: float = 0.0
    is_exact: bool = False
    hung: str | None = None
    notices: tuple[str, ...] = ()


def run_script(
    description: BenchDescription,
    command: Sequence[str],
    *,
    factor: float | None = 1.0,
    limit_s: float = 600.0,
    environment: Sequence[str] = (),
    recording_path: Path | None = None,
    pass_on_output: bool = False,
    folder: Path | None = None,
    strict: bool = False,
    stages: Stages | None = None,
) -> ScriptRun:
    """Run *command* against the bench for at most *limit_s* seconds of the bench's time.

    *factor* None is virtual pace: the caller gives this process's children to the run.  Else it is the pace.
    Where virtual time does not work on this machine, the run is made at real pace, and its first notice says
    why.  A *strict* run has to be exact.

    *environment* holds `NAME=VALUE` or `NAME` to pass on.  Who gives *stages* for runs at virtual pace closes
    them.  Whatever happens, everything that the script has started is gone when this returns, and the
    recording is at *recording_path*.

    Raises UsageError where there is nothing to run, BenchUnfitError where the sandbox or the header files
    cannot be had, and ScriptInterruptedError where SIGTERM or SIGHUP ended the run.
    """
    if not 0 < limit_s <= LONGEST_S:
        raise UsageError(f"limit: found {limit_s:g} s; allowed: above 0, up to {LONGEST_S:g}")
    variables = passed_on(environment)
    folder = working_folder() if folder is None else folder.resolve()
    check_command(command, folder=folder, environment=variables)
    _sandbox_works()
    not_virtual = why_not() if factor is None else None
    if not_virtual is not None:
        if strict:
            raise BenchUnfitError(part="virtual time", reason=not_virtual, cure="or run it with --pace real")
        factor = 1.0
    with Interruption() as interruption, contextlib.ExitStack() as stack:
        stage: Stage | PacedStage
        if factor is None:
            make = stages or (lambda *given: stack.enter_context(contextlib.closing(Stage(*given))))
            stage = make(command, folder, variables, description)
        else:
            stage = PacedStage(command, folder, variables, description, factor)
            stack.enter_context(contextlib.closing(stage))
        try:
            stage.served.bench.model.recorder.record(LANE, "start", command=" ".join(command))
            wanted = _Wanted(limit_s=limit_s, interruption=interruption, pass_on=pass_on_output)
            if isinstance(stage, Stage):
                done = _supervise_virtually(stage, wanted)
            else:
                done = _supervise(stage, wanted)
            if not_virtual is not None:
                return replace(done, notices=(f"{not_virtual}; the run was made at real pace", *done.notices))
            if strict and factor is None and not done.is_exact:
                raise BenchUndecidedError(reason="; ".join(done.notices))
            return done
        finally:
            stage.served.complete()
            if recording_path is not None:
                _keep_recording(stage.place / "recording.jsonl", recording_path)


def _keep_recording(made: Path, path: Path) -> None:
    try:
        shutil.copyfile(made, path)
    except OSError as error:
        raise UsageError(
            f"recording: {str(path)!r} cannot be written ({error.strerror or error}); allowed: a file in a "
            "folder that exists"
        ) from error


@dataclass(frozen=True, slots=True, kw_only=True)
class _Wanted:
    """How long a run may take, who may end it, and whether its output is passed on."""

    limit_s: float
    interruption: Interruption
    pass_on: bool


def _supervise(stage: PacedStage, wanted: _Wanted) -> ScriptRun:
    """Serve the model until the script ends or is ended, and all that it has started is gone."""
    served = stage.served
    driver, recorder = served.driver, served.bench.model.recorder
    timeline, interruption = driver.model.timeline, wanted.interruption
    outcome = _Outcome(served, wanted)
    stdout, stderr = outcome.stdout, outcome.stderr
    driver.descriptors.add_reader(interruption.descriptor, lambda: None)
    process = stage.start(stdout=stdout.take, stderr=stderr.take)
    status: int | None = None
    try:
        in_time = driver.wait(
            timeline.now_ns + ns(wanted.limit_s), lambda: process.has_ended or outcome.is_ended_early()
        )
        process.drain()
        if not process.has_ended:
            cause = "interruption" if in_time else "time limit"
            recorder.record(LANE, "signal", number=int(signal.SIGKILL), cause=cause)
        elif process.status is None:
            raise _failure(bytes(stderr.data), process.returncode)
        else:
            status = process.status
        recorder.record(LANE, "exit", status=status)
    finally:
        driver.descriptors.remove_reader(interruption.descriptor)
        process.kill()
        driver.wait(timeline.now_ns + ns(_KILL_S * (driver.factor or 1)), lambda: process.is_gone)
        process.close()
        stage.end()
    return replace(outcome.run(status), notices=stage.notices)


def _supervise_virtually(stage: Stage, wanted: _Wanted) -> ScriptRun:
    """The same on the model's own clock, in a sandbox that waits."""
    served = stage.served
    driver, recorder = served.driver, served.bench.model.recorder
    timeline, descriptors = driver.model.timeline, driver.descriptors
    outcome = _Outcome(served, wanted)
    edges = served.bench.edges
    assert isinstance(edges, PtyEdges)  # noqa: S101 # a script's ports are
    settings, mounts = served.bench.description.settings, stage.mounts
    world = World(driver, edges, start_ns=settings.start_ns, calls=served.calls)
    served.show()
    mounts.show_times_by(lambda: world.wall_ns)
    servants = Servants(mounts.asking, mounts.answering)
    supervisor = Supervisor(world, seed=settings.seed, servants=servants, processor=stage.processor)
    supervisor.time.limit_ns = timeline.now_ns + ns(wanted.limit_s)
    reports = Reports(descriptors, stage.reports)
    streams = [
        Stream(os.fdopen(descriptor, "rb", buffering=0), descriptors, output.take)
        for descriptor, output in ((stage.stdout, outcome.stdout), (stage.stderr, outcome.stderr))
    ]
    hung, code, is_traced = None, None, False
    try:
        first = reports.wait_for_first()
        if first is not None:
            with contextlib.suppress(GoneError):
                supervisor.adopt(first)
                is_traced = True
        stage.release()
        code = supervisor.run(outcome.is_ended_early)
    except HungError as error:
        hung = str(error)
    finally:
        ended_with = stage.end()
        servants.close()
        for stream in streams:
            stream.close()
        reports.close()
    has_begun = supervisor.ending.script is not None
    status = code if has_begun else None
    if code is None and is_traced:
        cause = "time limit" if hung is None else "nothing is due"
        if wanted.interruption.number is not None:
            cause = "interruption"
        recorder.record(LANE, "signal", number=int(signal.SIGKILL), cause=cause)
    elif status is None:
        raise _failure(bytes(outcome.stderr.data), ended_with if code is None else code)
    recorder.record(LANE, "exit", status=status)
    return replace(
        outcome.run(status),
        is_virtual=True,
        tree_s=supervisor.tree_s,
        is_exact=supervisor.is_exact,
        hung=hung,
        notices=tuple(supervisor.notices),
    )


class _Outcome:
    """What comes of one run at either pace: its output, and whether anybody has ended it early."""

    def __init__(self, served: ServedBench, wanted: _Wanted) -> None:
        recorder = served.bench.model.recorder
        self.stdout = Output(recorder, "stdout", sys.stdout.buffer if wanted.pass_on else None)
        self.stderr = Output(recorder, "stderr", sys.stderr.buffer if wanted.pass_on else None)
        self._served, self._interruption = served, wanted.interruption
        self._began_s = time.monotonic()

    def is_ended_early(self) -> bool:
        """Whether somebody wants the end, or nobody the output."""
        return self._interruption.number is not None or self._broken is not None

    @property
    def _broken(self) -> OSError | None:
        return self.stdout.broken or self.stderr.broken

    def run(self, status: int | None) -> ScriptRun:
        """The run, which has ended with *status*.

        Raises BrokenPipeError or UsageError where its output cannot be written, and ScriptInterruptedError
        where it was ended early.
        """
        broken = self._broken
        if isinstance(broken, BrokenPipeError):
            raise broken
        if broken is not None:
            raise UsageError(
                f"output: cannot be written ({broken.strerror or broken}); allowed: a place that takes all "
                "that the script says"
            ) from broken
        if self._interruption.number is not None:
            raise ScriptInterruptedError(self._interruption.number)
        driver = self._served.driver
        return ScriptRun(
            status=status,
            stdout=bytes(self.stdout.data),
            stderr=bytes(self.stderr.data),
            bench_s=driver.model.timeline.now_ns / 1e9,
            wall_s=time.monotonic() - self._began_s,
            late_s=driver.latest_ns / 1e9,
            recording=self._served.recording,
        )


@cache
def _sandbox_works() -> None:
    """Ask once; raises BenchUnfitError, which is asked again."""
    probe()


def _failure(stderr: bytes, code: int | None) -> UsageError | BenchUnfitError:
    """Why bubblewrap has not run the command, by what it said last."""
    lines = stderr.decode("utf-8", "replace").strip().splitlines()
    is_said = bool(lines) and lines[-1].startswith("bwrap: ")
    said = lines[-1].removeprefix("bwrap: ") if is_said else f"bwrap ended with {code}"
    if said.startswith("execvp "):
        program, _, reason = said.removeprefix("execvp ").rpartition(": ")
        return UsageError(
            f"{program}: cannot be run ({reason}); allowed: a program that the sandbox shows, or a script "
            "whose first line names one"
        )
    return BenchUnfitError(
        part="sandbox", reason=said, cure="run the command from the folder that holds it, and try again"
    )
