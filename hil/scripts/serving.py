"""Requests to run scripts in, one JSON line each; outcomes out likewise: a process that only does this.

A process tree under virtual time belongs to the process that traces it, and its children are waited for all
together; so runs for others (tests above all) are made here, one after the other, each from a clean start.
"""

from __future__ import annotations

import base64
import json
import sys
from pathlib import Path
from typing import Any

from hil.bench.files import find_bench, load_bench
from hil.errors import WakebenchError

from .apart import stand_apart
from .runner import run_script


def serve() -> None:
    """Answer each line of standard input until its end."""
    for line in sys.stdin:
        answer = _answer(json.loads(line))
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


def _answer(request: dict[str, Any]) -> dict[str, Any]:
    try:
        run = run_script(
            load_bench(find_bench(request["bench"]), request["overrides"]),
            request["command"],
            factor=None,
            limit_s=request["limit_s"],
            environment=request["environment"],
            recording_path=Path(request["recording"]),
            folder=Path(request["folder"]),
            strict=request["strict"],
        )
    except WakebenchError as error:
        facts = {name: value for name, value in vars(error).items() if isinstance(value, str)}
        return {"error": type(error).__name__, "text": str(error), "facts": facts}
    return {
        "status": run.status,
        "stdout": base64.b64encode(run.stdout).decode("ascii"),
        "stderr": base64.b64encode(run.stderr).decode("ascii"),
        "bench_s": run.bench_s,
        "wall_s": run.wall_s,
        "is_virtual": run.is_virtual,
        "tree_s": run.tree_s,
        "is_exact": run.is_exact,
        "hung": run.hung,
        "notices": list(run.notices),
    }


if __name__ == "__main__":
    stand_apart()
    serve()
