"""A command line under bubblewrap in, how it ended out; the caller's loop looks after its descriptors.

Knows no bench and no recording.
"""

from __future__ import annotations

import contextlib
import json
import os
import select
import signal
import subprocess
from typing import TYPE_CHECKING, Final

from .linux.architecture import UnknownArchitectureError, this_machine
from .linux.filter import as_file, program
from .sandbox import outer_environment

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import IO

    from simulator.edges.descriptors import Descriptors

# One pipe holds this much unless somebody asks for more; more than 1 MiB only root can have (pipe(7)).
_CHUNK: Final = 65536
_DRAIN_CHUNKS: Final = 16


class Stream:
    """One output stream: *take* gets what comes, until the end."""

    def __init__(self, stream: IO[bytes], descriptors: Descriptors, take: Callable[[bytes], None]) -> None:
        self._stream, self._descriptors, self._take = stream, descriptors, take
        os.set_blocking(stream.fileno(), False)
        descriptors.add_reader(stream.fileno(), self.process)

    def process(self) -> bool:
        """Take what is there; False where there is nothing."""
        try:
            data = os.read(self._stream.fileno(), _CHUNK)
        except BlockingIOError:
            return False
        if not data:
            self._descriptors.remove_reader(self._stream.fileno())
            return False
        self._take(data)
        return True

    def drain(self) -> None:
        """Take what had come when this was called, and perhaps some of what comes meanwhile."""
        for _ in range(_DRAIN_CHUNKS):
            if not self.process():
                return

    def close(self) -> None:
        """Take what is left, and no more."""
        self.drain()
        self._descriptors.remove_reader(self._stream.fileno())
        self._stream.close()


class Reports:
    """What bubblewrap tells of its command, as JSON lines on a descriptor.

    `first` is the sandbox's first process, `status` how the command ended, as a shell gives it; each is None
    until it is known.  They come from *source*, which is closed here.
    """

    def __init__(self, descriptors: Descriptors, source: int) -> None:
        self.first: int | None = None
        self.status: int | None = None
        self._descriptors = descriptors
        self._text = b""
        self._from, self._is_over = source, False
        descriptors.add_reader(self._from, self.take)

    def wait_for_first(self) -> int | None:
        """The first process once it is known; None where there never was one."""
        while self.first is None and not self._is_over:
            select.select([self._from], (), ())
            self.take()
        return self.first

    def take(self) -> None:
        """Take what has been told until now."""
        with contextlib.suppress(BlockingIOError):
            while data := os.read(self._from, _CHUNK):
                self._text += data
            self._is_over = True
            self._descriptors.remove_reader(self._from)
        *lines, self._text = self._text.split(b"\n")
        for line in lines:
            report = json.loads(line)
            self.first = report.get("child-pid", self.first)
            self.status = report.get("exit-code", self.status)

    def close(self) -> None:
        """Take what is left."""
        self.take()
        self._descriptors.remove_reader(self._from)
        os.close(self._from)


class _End:
    """Whether a process has ended, by its descriptor."""

    def __init__(self, pid: int, descriptors: Descriptors) -> None:
        self.descriptor = os.pidfd_open(pid)
        self._descriptors = descriptors
        self.has_come = False
        descriptors.add_reader(self.descriptor, self._process)

    def _process(self) -> None:
        self.has_come = True
        self._descriptors.remove_reader(self.descriptor)

    def kill(self) -> None:
        with contextlib.suppress(ProcessLookupError):
            signal.pidfd_send_signal(self.descriptor, signal.SIGKILL)

    def close(self) -> None:
        self._descriptors.remove_reader(self.descriptor)
        os.close(self.descriptor)


def _refusals() -> int | None:
    try:
        return as_file(program(this_machine(), stops=False))
    except UnknownArchitectureError:
        return None


class SandboxProcess:
    """bubblewrap and all that runs under it.

    *arguments* makes the command line, given the descriptor to which bubblewrap reports, and that of a filter
    of calls where there is one for this machine.  *start* starts it, as Popen does.
    """

    def __init__(
        self,
        arguments: Callable[[int, int | None], Sequence[str]],
        descriptors: Descriptors,
        *,
        stdout: Callable[[bytes], None],
        stderr: Callable[[bytes], None],
        start: Callable[..., subprocess.Popen[bytes]] = subprocess.Popen,
    ) -> None:
        self._descriptors = descriptors
        self._first: _End | None = None
        source, reports = os.pipe2(os.O_CLOEXEC | os.O_NONBLOCK)
        self._reports = Reports(descriptors, source)
        rules = _refusals()
        # A session of its own, led by the sandbox and not by the script: a port that the script opens must
        # not become its controlling terminal.
        try:
            self._process = start(
                arguments(reports, rules),
                env=outer_environment(),
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.PIPE,
                start_new_session=True,
                pass_fds=[reports] if rules is None else [reports, rules],
            )
        except BaseException:
            self._reports.close()
            raise
        finally:
            os.close(reports)
            if rules is not None:
                os.close(rules)
        assert self._process.stdout is not None  # noqa: S101 # pipes were asked for
        assert self._process.stderr is not None  # noqa: S101 # likewise
        self._outer = _End(self._process.pid, descriptors)
        self._streams = (
            Stream(self._process.stdout, descriptors, stdout),
            Stream(self._process.stderr, descriptors, stderr),
        )

    @property
    def status(self) -> int | None:
        """How the command ended, as a shell gives it; None where it was never started or never ended."""
        return self._reports.status

    @property
    def has_ended(self) -> bool:
        """Whether the command has ended; what it has started may still be dying."""
        return self._outer.has_come

    @property
    def is_gone(self) -> bool:
        """Whether the command and all that it has started are gone."""
        # The sandbox's first process is a zombie only once the kernel has killed all others in there.
        first = self._first_end()
        return self.has_ended and (first is None or first.has_come)

    @property
    def returncode(self) -> int | None:
        """bubblewrap's own."""
        return self._process.poll()

    def drain(self) -> None:
        """Take the output and the reports that have come until now."""
        for stream in self._streams:
            stream.drain()
        self._reports.take()

    def kill(self) -> None:
        """End everything; serve until `is_gone`, as a process that waits for the model dies only then."""
        self._outer.kill()
        first = self._first_end()
        if first is not None:
            first.kill()

    def close(self) -> None:
        """Take what is left of the output and the reports."""
        self._reports.take()
        for stream in self._streams:
            stream.close()
        self._outer.close()
        if self._first is not None:
            self._first.close()
        self._reports.close()
        self._process.wait()

    def _first_end(self) -> _End | None:
        if self._first is None and self._reports.first is not None:
            with contextlib.suppress(ProcessLookupError):
                self._first = _End(self._reports.first, self._descriptors)
        return self._first
