"""A kept place to run many scripts in at virtual pace, one after the other: each from a clean start.

What takes time once (a process, its libraries) is kept; the model, the sandbox, the ports and the scratch
folders are new for each run.
"""

from __future__ import annotations

import base64
import json
import os
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import TYPE_CHECKING, Any

from hil.errors import BenchUndecidedError, BenchUnfitError, UsageError
from hil.recording.store import load

from .runner import ScriptRun

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from types import TracebackType
    from typing import Self


class KeptScripts:
    """Runs scripts until it is closed; used by one thread."""

    def __init__(self) -> None:
        self._folder = tempfile.TemporaryDirectory(prefix="wakebench-")
        self._process = subprocess.Popen(
            [sys.executable, "-m", "hil.scripts.serving"],
            env={**os.environ, "TMPDIR": self._folder.name},
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            start_new_session=True,
        )

    def run(
        self,
        command: Sequence[str],
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
        answer = self._ask(
            {
                "bench": str(bench),
                "overrides": dict(overrides or {}),
                "command": list(command),
                "limit_s": limit_s,
                "environment": list(environment),
                "folder": str((folder or Path.cwd()).resolve()),
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
        return ScriptRun(
            status=answer["status"],
            stdout=base64.b64decode(answer["stdout"]),
            stderr=base64.b64decode(answer["stderr"]),
            bench_s=answer["bench_s"],
            wall_s=answer["wall_s"],
            late_s=0.0,
            recording=load(kept),
            is_virtual=answer["is_virtual"],
            tree_s=answer["tree_s"],
            is_exact=answer["is_exact"],
            hung=answer["hung"],
            notices=tuple(answer["notices"]),
        )

    def _ask(self, request: dict[str, Any]) -> dict[str, Any]:
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

    def close(self) -> None:
        """End it, with whatever runs; harmless when called again."""
        if self._process.stdin is not None and not self._process.stdin.closed:
            self._process.stdin.close()
            self._process.wait()
        if self._process.stdout is not None:
            self._process.stdout.close()
        self._folder.cleanup()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
