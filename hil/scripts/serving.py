"""Requests to run scripts in, one JSON line each; outcomes out likewise: a process that only does this.

A process tree under virtual time belongs to the process that traces it, and its children are waited for all
together; so runs for others (tests above all) are made here, one after the other, each from a clean start.
"""

from __future__ import annotations

import base64
import contextlib
import gc
import json
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from hil.bench.files import load_bench
from hil.bench.shipped import find_bench
from hil.errors import WakebenchError

from .apart import stand_apart
from .runner import run_script
from .stage import StageAhead

if TYPE_CHECKING:
    from hil.bench.files import BenchDescription

# Bench files that are kept as they were read.
_KEPT: Final = 64


def serve(processor: int) -> None:
    """Answer each line of standard input until its end; scripts run on *processor*."""
    benches: dict[str, BenchDescription] = {}
    is_warm = False
    with contextlib.closing(StageAhead(processor)) as stages:
        for line in sys.stdin:
            answer = _answer(json.loads(line), benches, stages)
            sys.stdout.write(json.dumps(answer) + "\n")
            sys.stdout.flush()
            # Whoever asked goes on meanwhile.
            stages.prepare()
            if not is_warm:
                gc.collect()
                gc.freeze()  # what is kept need not be looked through again and again
                is_warm = True


def _bench(benches: dict[str, BenchDescription], name: str, overrides: dict[str, Any]) -> BenchDescription:
    """The bench, read anew where one of its files has changed."""
    key = json.dumps([name, overrides], sort_keys=True)
    known = benches.get(key)
    if known is not None and all(_holds(path, data) for path, data in known.sources.items()):
        return known
    if len(benches) >= _KEPT:
        benches.clear()
    benches[key] = load_bench(find_bench(name), overrides)
    return benches[key]


def _holds(path: Path, data: bytes) -> bool:
    try:
        return path.read_bytes() == data
    except OSError:
        return False


def _answer(
    request: dict[str, Any], benches: dict[str, BenchDescription], stages: StageAhead
) -> dict[str, Any]:
    try:
        run = run_script(
            _bench(benches, request["bench"], request["overrides"]),
            request["command"],
            factor=None,
            limit_s=request["limit_s"],
            environment=request["environment"],
            recording_path=Path(request["recording"]),
            folder=Path(request["folder"]),
            strict=request["strict"],
            stages=stages.take,
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
    stand_apart(without_sys=True)
    serve(int(sys.argv[1]))
