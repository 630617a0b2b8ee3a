"""A command in, what it did to the bench out: run at real pace inside the sandbox.

Its output, its end and everything that passes through header and ports land on one recording.
"""

from __future__ import annotations

import shutil
import signal
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hil.bench.served import ServedBench
from hil.errors import BenchError, BenchUnfitError, UsageError
from simulator.kernel.timeline import ns

from .interruption import Interruption
from .process import SandboxProcess
from .sandbox import ENVIRONMENT, FIRST_PID, check_command, passed_on, prepare_dev, probe, sandboxed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import BinaryIO

    from hil.bench.files import BenchDescription
    from hil.recording.query import Recording
    from simulator.kernel.recorder import Recorder

_LANE: Final = f"script/{FIRST_PID}"
# How long a killed tree may take to go, in wall seconds.
_KILL_S: Final = 5.0
# How much of each stream is kept, in bytes; a script that prints for ever must not fill the memory.
OUTPUT_LIMIT: Final = 8 << 20


class ScriptInterruptedError(BenchError):
    """Somebody ended wakebench while a script ran: there is no verdict on the script."""

    def __init__(self, number: int) -> None:
        self.number = number
        name = signal.Signals(number).name
        super().__init__(f"interrupted by {name}: the script and all it had started were ended, no verdict")


@dataclass(frozen=True, slots=True, kw_only=True)
class ScriptRun:
    """One run: *status* as a shell gives it (128 + n for signal n), None where the time limit ended it."""

    status: int | None
    stdout: bytes
    stderr: bytes
    bench_s: float
    late_s: float
    recording: Recording


class _Output:
    """One stream of the script: recorded and kept up to the limit, and all of it passed on.

    `broken` is the error, once nobody takes what is passed on any more.
    """

    def __init__(self, recorder: Recorder, what: str, passed_to: BinaryIO | None) -> None:
        self.data = bytearray()
        self._recorder, self._what, self._passed_to = recorder, what, passed_to
        self._is_cut = False
        self.broken: BrokenPipeError | None = None

    def take(self, data: bytes) -> None:
        """Take what has come."""
        kept = data[: OUTPUT_LIMIT - len(self.data)]
        if kept:
            self.data += kept
            self._recorder.record_bytes(_LANE, self._what, kept)
        if len(kept) < len(data) and not self._is_cut:
            self._is_cut = True
            self._recorder.record(_LANE, "cut", stream=self._what, kept=OUTPUT_LIMIT)
        if self._passed_to is not None and self.broken is None:
            try:
                self._passed_to.write(data)
                self._passed_to.flush()
            except BrokenPipeError as error:
                self.broken = error


def run_script(
    description: BenchDescription,
    command: Sequence[str],
    *,
    factor: float = 1.0,
    limit_s: float = 600.0,
    environment: Sequence[str] = (),
    recording_path: Path | None = None,
    pass_on_output: bool = False,
    folder: Path | None = None,
) -> ScriptRun:
    """Run *command* against the bench for at most *limit_s* seconds of the bench's time.

    *environment* holds `NAME=VALUE` or `NAME` to pass on.  Whatever happens, everything that the script has
    started is gone when this returns, and the recording is at *recording_path*.

    Raises UsageError where there is nothing to run, BenchUnfitError where the sandbox or the header files
    cannot be had, and ScriptInterruptedError where SIGTERM or SIGHUP ended the run.
    """
    variables = passed_on(environment)
    folder = (folder or Path.cwd()).resolve()
    check_command(command, folder=folder, environment=variables)
    probe()
    pinned = {
        "hash_seed": 0,
        "locale": ENVIRONMENT["LC_ALL"],
        "environment": ",".join(sorted({**ENVIRONMENT, **variables})),
        "first_pid": FIRST_PID,
    }
    with Interruption() as interruption, tempfile.TemporaryDirectory(prefix="wakebench-") as scratch:
        place = Path(scratch)
        dev = place / "dev"
        prepare_dev(dev)
        served = ServedBench(
            description,
            place,
            factor=factor,
            link_name=lambda port: port.node,
            keep_events=True,
            pinned=pinned,
            demand_fuse=True,
        )

        def arguments(status_fd: int) -> list[str]:
            return sandboxed(
                command,
                dev=dev,
                sys=place / "sys",
                folder=folder,
                environment=variables,
                status_fd=status_fd,
            )

        try:
            served.bench.model.recorder.record(_LANE, "start", command=" ".join(command))
            return _supervise(
                served, arguments, limit_s=limit_s, interruption=interruption, pass_on=pass_on_output
            )
        finally:
            served.close()
            if recording_path is not None:
                shutil.copyfile(place / "recording.jsonl", recording_path)


def _supervise(
    served: ServedBench,
    arguments: Callable[[int], list[str]],
    *,
    limit_s: float,
    interruption: Interruption,
    pass_on: bool,
) -> ScriptRun:
    """Serve the model until the script ends or is ended, and all that it has started is gone."""
    driver, recorder = served.driver, served.bench.model.recorder
    timeline = driver.model.timeline
    stdout = _Output(recorder, "stdout", sys.stdout.buffer if pass_on else None)
    stderr = _Output(recorder, "stderr", sys.stderr.buffer if pass_on else None)
    driver.descriptors.add_reader(interruption.descriptor, lambda: None)
    process = SandboxProcess(arguments, driver.descriptors, stdout=stdout.take, stderr=stderr.take)

    def is_over() -> bool:
        broken = stdout.broken or stderr.broken
        return process.has_ended or interruption.number is not None or broken is not None

    status: int | None = None
    try:
        in_time = driver.wait(timeline.now_ns + ns(limit_s), is_over)
        process.drain()
        if not process.has_ended:
            cause = "interruption" if in_time else "time limit"
            recorder.record(_LANE, "signal", number=int(signal.SIGKILL), cause=cause)
        elif process.status is None:
            raise _failure(bytes(stderr.data), process.returncode)
        else:
            status = process.status
        recorder.record(_LANE, "exit", status=status)
    finally:
        driver.descriptors.remove_reader(interruption.descriptor)
        process.kill()
        driver.wait(timeline.now_ns + ns(_KILL_S * (driver.factor or 1)), lambda: process.is_gone)
        process.close()
    if broken := stdout.broken or stderr.broken:
        raise broken
    if interruption.number is not None:
        raise ScriptInterruptedError(interruption.number)
    return ScriptRun(
        status=status,
        stdout=bytes(stdout.data),
        stderr=bytes(stderr.data),
        bench_s=timeline.now_ns / 1e9,
        late_s=driver.latest_ns / 1e9,
        recording=served.recording,
    )


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
