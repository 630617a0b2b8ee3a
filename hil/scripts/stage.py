"""Where one command is going to run: folder, mounts, streams, bench, and the sandbox, which waits.

All this takes longer than many a script, and nothing in it moves before it is told: so it is made ahead
where that can be, and the bench while the sandbox sets itself up.
"""

from __future__ import annotations

import contextlib
import os
import select
import signal
import socket
import subprocess
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Final, TypeAlias

from hil.errors import WakebenchError
from simulator.edges.host_mounts import HostMounts

from .linux.architecture import this_machine
from .linux.filter import as_file, program
from .linux.kernel import same_addresses
from .sandbox import (
    mounts_are_demanded,
    outer_environment,
    prepare_dev,
    sandboxed,
    scratch_folders,
)
from .script_bench import script_bench
from .virtual_time.processors import kept_off
from .virtual_time.world import uptime_ns

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from hil.bench.files import BenchDescription


# How long those in a sandbox that is killed may take to go, in wall seconds.
_GONE_S: Final = 5.0
_CHUNK: Final = 4096

# Gives the stage for a command, its folder and environment, and the bench.
Stages: TypeAlias = "Callable[[Sequence[str], Path, Mapping[str, str], BenchDescription], Stage]"


class Stage:
    """One place for one run of *command* in *folder*, with *environment*, on the bench of *description*;
    closed by whoever makes it.

    The command is to run on *processor* alone, any that is free for it where none is given.  `served` is the
    bench at virtual pace, at its beginning.  `reports`, `stdout` and `stderr` are descriptors to read from,
    which their readers close.  The sandbox has the filter under which calls stop, so it must be traced when
    `release` lets it go on to the command.

    Raises BenchUnfitError where there can be no mounts.
    """

    def __init__(
        self,
        command: Sequence[str],
        folder: Path,
        environment: Mapping[str, str],
        description: BenchDescription,
        processor: int | None = None,
    ) -> None:
        self.processor = processor
        self.made_for = (tuple(command), folder, dict(environment), description)
        settings = description.settings
        start_ns, gpio_chip = settings.start_ns, settings.host.gpio_chip
        self._folder = tempfile.TemporaryDirectory(prefix="wakebench-")
        self.place = Path(self._folder.name)
        dev = self.place / "dev"
        prepare_dev(dev, gpio_chip=gpio_chip)
        with mounts_are_demanded(self._folder):
            self.mounts = HostMounts(
                self.place,
                scratch_folders=[*scratch_folders(), ("/run/lock", 0o1777)],
                start_ns=start_ns,
                uptime_ns=uptime_ns,
            )
        self.reports, reports = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
        self.stdout, stdout = os.pipe2(os.O_CLOEXEC)
        self.stderr, stderr = os.pipe2(os.O_CLOEXEC)
        # Not a pipe: its end, when this process dies, would be leave to go on.
        waits, self._release = socket.socketpair(socket.AF_UNIX, socket.SOCK_DGRAM)
        rules = as_file(program(this_machine()))
        arguments = sandboxed(
            command,
            dev=dev,
            sys=self.mounts.sys,
            uptime=self.mounts.uptime,
            kmsg=self.mounts.kmsg,
            random=self.mounts.random,
            scratch=self.mounts.scratch,
            folder=folder,
            environment=environment,
            status_fd=reports,
            waits_fd=waits.fileno(),
            filter_fd=rules,
            gpio_chip=gpio_chip,
        )
        # A session of its own, led by the sandbox and not by the script: a port that the script opens must
        # not become its controlling terminal.
        with same_addresses():
            self._process = subprocess.Popen(
                arguments,
                env=outer_environment(),
                stdin=subprocess.DEVNULL,
                stdout=stdout,
                stderr=stderr,
                start_new_session=True,
                pass_fds=[reports, waits.fileno(), rules],
            )
        for descriptor in (reports, stdout, stderr, rules):
            os.close(descriptor)
        waits.close()
        self._is_open = True
        try:
            self.served = script_bench(
                description, self.place, self.mounts, factor=None, environment=environment
            )
        except BaseException:
            self.close()
            raise

    def release(self) -> None:
        """Let the sandbox start the command; harmless when called again."""
        if self._release.fileno() >= 0:
            with contextlib.suppress(ConnectionError):  # it has failed before it came to wait
                self._release.send(b"x")
            self._release.close()

    def end(self) -> int | None:
        """Wait for the sandbox, all in which has ended; its status, None where somebody else has taken it."""
        self.release()
        with contextlib.suppress(ChildProcessError):
            _, status = os.waitpid(self._process.pid, 0)
            self._process.returncode = os.waitstatus_to_exitcode(status)
        return self._process.returncode

    def close(self) -> None:
        """End what runs, and take all away; harmless when called again."""
        if not self._is_open:
            return
        self._is_open, was_used = False, self._release.fileno() < 0
        if self._process.returncode is None:
            # All of its session, the sandbox within too.
            with contextlib.suppress(ProcessLookupError):
                os.killpg(self._process.pid, signal.SIGKILL)
            self.end()
        if not was_used:
            self._wait_for_those_within()
        if hasattr(self, "served"):
            self.served.close()
        self.mounts.close()
        self._folder.cleanup()

    def _wait_for_those_within(self) -> None:
        """Whoever holds the other end of the reports has gone when they end."""
        while select.select([self.reports], (), (), _GONE_S)[0] and os.read(self.reports, _CHUNK):
            pass
        for descriptor in (self.reports, self.stdout, self.stderr):
            os.close(descriptor)


class StageAhead:
    """A stage for the next run, made when the last is over: the same is most often asked for again.

    That is what repetitions and searches do; for anything else one is made when it is asked for.  Commands
    run on *processor*, which others may share that take turns with this; stages are made ahead elsewhere.
    """

    def __init__(self, processor: int) -> None:
        self._processor = processor
        self._ahead: Stage | None = None
        self._taken: Stage | None = None

    def take(
        self,
        command: Sequence[str],
        folder: Path,
        environment: Mapping[str, str],
        description: BenchDescription,
    ) -> Stage:
        """The stage for one run; it is closed here."""
        wanted = (tuple(command), folder, dict(environment), description)
        stage, self._ahead = self._ahead, None
        if stage is not None and stage.made_for != wanted:
            stage.close()
            stage = None
        self._taken = stage or Stage(*wanted, self._processor)
        return self._taken

    def prepare(self) -> None:
        """Take the last one away, and make one like it."""
        taken, self._taken = self._taken, None
        if taken is not None:
            with kept_off(self._processor):
                taken.close()
                with contextlib.suppress(WakebenchError, OSError):  # told when it is asked for
                    self._ahead = Stage(*taken.made_for, self._processor)

    def close(self) -> None:
        """Take all away."""
        for stage in (self._taken, self._ahead):
            if stage is not None:
                stage.close()
        self._taken = self._ahead = None
