"""A kept place to run many scripts in at virtual pace, one after the other: each from a clean start.

What takes time once (a process, its libraries, bench files) is kept; the model, the sandbox, the ports and
the scratch folders are new for each run.
"""

from __future__ import annotations

import base64
import contextlib
import json
import os
import subprocess
import sys
import tempfile
from collections import deque
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from hil.errors import BenchUndecidedError, BenchUnfitError, UsageError
from hil.recording.store import load

from .runner import ScriptRun
from .sandbox import working_folder
from .virtual_time.processors import choose_processor

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from types import TracebackType
    from typing import Self

# With this run the second process is started: whoever runs as many runs more.
_RUNS_ALONE: Final = 3


class KeptScripts:
    """Runs scripts until it is closed; used by one thread.

    Two processes take turns: while the one runs a script, the other clears up and gets ready for the next.
    """

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="wakebench-")
        # One for both places: while the one runs a script there, the other gets ready elsewhere.
        self._processor = choose_processor()
        self._places = deque([_Place(self._folder.name, self._processor)])
        self._runs = 0

    def run(
        self,
        command: Sequence[str | os.PathLike[str]],
        *,
        bench: str | Path,
        overrides: Mapping[str, Any] | None = None,
        limit_s: float = 600.0,
        environment: Sequence[str] = (),
        folder: Path | None = None,
        recording_path: Path | None = None,
        strict: bool = True,
    ) -> ScriptRun:
        """Run *command* on *bench* (a name or a file, with *overrides* of its tables); see `run_script`.

        Raises UsageError for what cannot be run, BenchUndecidedError for a *strict* run that is not exact,
        and BenchUnfitError where the place itself is broken.
        """
        kept = recording_path or Path(self._folder.name) / "recording.jsonl"
        answer = self._place().ask(
            {
                "bench": str(bench),
                "overrides": dict(overrides or {}),
                "command": _words(command),
                "limit_s": limit_s,
                "environment": list(environment),
                "folder": str(working_folder() if folder is None else folder.resolve()),
                "recording": str(kept.absolute()),
                "strict": strict,
            }
        )
        match answer.get("error"):
            case None:
                pass
            case BenchUnfitError.__name__:
                raise BenchUnfitError(**answer["facts"])
            case BenchUndecidedError.__name__:
                raise BenchUndecidedError(**answer["facts"])
            case _:
                raise UsageError(answer["text"])
        recording = load(kept)
        if recording_path is None:
            kept.unlink()  # a new file is made sooner than an old one is emptied
        return ScriptRun(
            status=answer["status"],
            stdout=base64.b64decode(answer["stdout"]),
            stderr=base64.b64decode(answer["stderr"]),
            bench_s=answer["bench_s"],
            wall_s=answer["wall_s"],
            late_s=0.0,
            recording=recording,
            is_virtual=answer["is_virtual"],
            tree_s=answer["tree_s"],
            is_exact=answer["is_exact"],
            hung=answer["hung"],
            notices=tuple(answer["notices"]),
        )

    def _place(self) -> _Place:
        """The one whose turn it is; the second is started when it is seen that there are many runs."""
        self._runs += 1
        if self._runs == _RUNS_ALONE:
            self._places.append(_Place(self._folder.name, self._processor))
        self._places.rotate()
        if self._places[0].has_ended:
            self._places[0].close()
            self._places[0] = _Place(self._folder.name, self._processor)
        return self._places[0]

    def close(self) -> None:
        """End it, with whatever runs; harmless when called again."""
        for place in self._places:
            place.close()
        self._folder.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class _Place:
    """A process that runs scripts on *processor*, with *folder* for what it leaves lying about meanwhile."""

    def __init__(self, folder: str, processor: int) -> None:
        self._process = subprocess.Popen(
            # Not from the folder that the user happens to be in.
            [sys.executable, "-P", "-m", "hil.scripts.serving", str(processor)],
            env={**os.environ, "TMPDIR": folder},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def ask(self, request: dict[str, Any]) -> dict[str, Any]:
        """Its answer; raises BenchUnfitError where it has ended."""
        asked, answered = self._process.stdin, self._process.stdout
        assert asked is not None  # noqa: S101 # pipes were asked for
        assert answered is not None  # noqa: S101 # likewise
        try:
            asked.write(json.dumps(request) + "\n")
            asked.flush()
            line = answered.readline()
        except BrokenPipeError:
            line = ""
        if not line:
            raise BenchUnfitError(
                part="script",
                reason=f"the process that runs scripts has ended with {self._process.wait()}",
                cure="look at its messages above, and try again",
            )
        answer: dict[str, Any] = json.loads(line)
        return answer

    @property
    def has_ended(self) -> bool:
        """Whether it can run nothing any more."""
        return self._process.poll() is not None

    def close(self) -> None:
        """End it; harmless when called again."""
        if self._process.stdin is not None and not self._process.stdin.closed:
            with contextlib.suppress(BrokenPipeError):  # it has ended, and has not read all that it was asked
                self._process.stdin.close()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()


def _words(command: Sequence[str | os.PathLike[str]]) -> list[str]:
    """The command as text; raises UsageError."""
    for word in command:
        if not isinstance(word, str | os.PathLike):
            raise UsageError(
                f"command: found {word!r}; allowed: the program and each of its arguments, as text or path "
                "of its own"
            )
    return [os.fspath(word) for word in command]
