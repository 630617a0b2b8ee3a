"""A command in, what it did to the bench out: run at real pace inside the sandbox.

Its output, its end and everything that passes through header and ports land on one recording.
"""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hil.bench.served import ServedBench
from simulator.kernel.timeline import ns

from .sandbox import ENVIRONMENT, FIRST_PID, passed_on, prepare_dev, probe, sandboxed

if TYPE_CHECKING:
    from collections.abc import Sequence
    from typing import BinaryIO

    from hil.bench.files import BenchDescription
    from hil.recording.query import Recording

_CHUNK: Final = 65536
_LANE: Final = f"script/{FIRST_PID}"
# How long a killed tree may take to go, in wall seconds.
_KILL_S: Final = 5.0


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
    """One stream of the script: recorded, kept, and passed on."""

    def __init__(self, served: ServedBench, stream: BinaryIO, what: str, passed_to: BinaryIO | None) -> None:
        self.data = b""
        self._served, self._stream, self._what, self._passed_to = served, stream, what, passed_to
        os.set_blocking(stream.fileno(), False)
        served.driver.descriptors.add_reader(stream.fileno(), self.process)

    def process(self) -> bool:
        """Take what is there; False at the end of the stream."""
        try:
            data = os.read(self._stream.fileno(), _CHUNK)
        except BlockingIOError:
            return True
        if not data:
            self._served.driver.descriptors.remove_reader(self._stream.fileno())
            return False
        self.data += data
        self._served.bench.model.recorder.record_bytes(_LANE, self._what, data)
        if self._passed_to is not None:
            self._passed_to.write(data)
            self._passed_to.flush()
        return True

    def drain(self) -> None:
        """Take what is left once the script has ended."""
        before = -1
        while before != len(self.data):
            before = len(self.data)
            self.process()
        self._served.driver.descriptors.remove_reader(self._stream.fileno())
        self._stream.close()


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

    *environment* holds `NAME=VALUE` or `NAME` to pass on.  Raises BenchUnfitError where the sandbox or
    the header files cannot be had.
    """
    probe()
    variables = passed_on(environment)
    pinned = {
        "hash_seed": 0,
        "locale": ENVIRONMENT["LC_ALL"],
        "environment": ",".join(sorted({**ENVIRONMENT, **variables})),
        "first_pid": FIRST_PID,
    }
    with tempfile.TemporaryDirectory(prefix="wakebench-") as scratch:
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
        try:
            arguments = sandboxed(
                command,
                dev=dev,
                sys=place / "sys",
                folder=(folder or Path.cwd()).resolve(),
                environment=variables,
            )
            run = _supervise(served, arguments, command, limit_s=limit_s, pass_on_output=pass_on_output)
        finally:
            served.close()
        if recording_path is not None:
            shutil.copyfile(place / "recording.jsonl", recording_path)
        return run


def _supervise(
    served: ServedBench,
    arguments: Sequence[str],
    command: Sequence[str],
    *,
    limit_s: float,
    pass_on_output: bool,
) -> ScriptRun:
    recorder, driver = served.bench.model.recorder, served.driver
    recorder.record(_LANE, "start", command=" ".join(command))
    # A session of its own, led by the sandbox and not by the script: a port that the script opens must not
    # become its controlling terminal.
    process = subprocess.Popen(
        arguments,
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        start_new_session=True,
    )
    assert process.stdout is not None  # noqa: S101 # pipes were asked for
    assert process.stderr is not None  # noqa: S101 # likewise
    stdout = _Output(served, process.stdout, "stdout", sys.stdout.buffer if pass_on_output else None)  # type: ignore[arg-type] # a raw pipe
    stderr = _Output(served, process.stderr, "stderr", sys.stderr.buffer if pass_on_output else None)  # type: ignore[arg-type] # a raw pipe
    ended = _watch_end(served, process.pid)
    try:
        served.driver.wait(driver.model.timeline.now_ns + ns(limit_s), ended)
        is_ended = ended()
    finally:
        if process.poll() is None and not ended():
            os.killpg(process.pid, signal.SIGKILL)
        process.wait(_KILL_S)
        driver.descriptors.remove_reader(ended.descriptor)
        os.close(ended.descriptor)
    stdout.drain()
    stderr.drain()
    code = process.returncode
    status = (128 - code if code < 0 else code) if is_ended else None
    if status is None:
        recorder.record(_LANE, "signal", number=int(signal.SIGKILL), cause="time limit")
    recorder.record(_LANE, "exit", status=status)
    return ScriptRun(
        status=status,
        stdout=stdout.data,
        stderr=stderr.data,
        bench_s=driver.model.timeline.now_ns / 1e9,
        late_s=driver.latest_ns / 1e9,
        recording=served.recording,
    )


class _End:
    """Whether a process has ended, by its descriptor."""

    def __init__(self, descriptor: int) -> None:
        self.descriptor = descriptor
        self._is_ended = False

    def process(self) -> None:
        self._is_ended = True

    def __call__(self) -> bool:
        return self._is_ended


def _watch_end(served: ServedBench, pid: int) -> _End:
    end = _End(os.pidfd_open(pid))
    served.driver.descriptors.add_reader(end.descriptor, end.process)
    return end
