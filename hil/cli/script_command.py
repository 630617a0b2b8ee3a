"""`wakebench script`: run a firmware-side script, unmodified, against a bench."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer


def script(
    bench: Annotated[str, typer.Argument(help="bench file, or the name of a demo bench")],
    command: Annotated[list[str], typer.Argument(help="the command and its arguments, after --")],
    expect_exit: Annotated[
        int, typer.Option("--expect-exit", metavar="N", help="the status that is right")
    ] = 0,
    recording: Annotated[
        Path | None,
        typer.Option("--recording", metavar="FILE", help="keep the recording here"),
    ] = None,
    limit_s: Annotated[
        float, typer.Option("--limit", metavar="SECONDS", min=0.1, help="end it after so long")
    ] = 600,
    pace: Annotated[str, typer.Option(help="real, or a factor such as x2")] = "real",
    env: Annotated[
        list[str] | None,
        typer.Option(
            "--env", metavar="NAME[=VALUE]", help="a variable that the script sees; may be repeated"
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the outcome as JSON")] = False,
) -> None:
    """Run a firmware-side script, unmodified, against a simulated bench."""
    from hil.bench.files import find_bench, load_bench
    from hil.errors import UsageError
    from hil.pace import parse_pace
    from hil.scripts.runner import run_script

    factor = parse_pace(pace)
    if factor is None:
        raise UsageError(
            "pace: found 'virtual'; allowed: real, or a factor (scripts cannot run at virtual pace yet)"
        )
    description = load_bench(find_bench(bench))
    if description.file.bench.kind != "simulated":
        raise UsageError(f"{description.path}: bench.kind: found 'hardware'; allowed: simulated")
    if recording is not None and not recording.absolute().parent.is_dir():
        raise UsageError(f"--recording: found {str(recording)!r}; allowed: a file in a folder that exists")
    run = run_script(
        description,
        command,
        factor=factor,
        limit_s=limit_s,
        environment=env or [],
        recording_path=recording,
        pass_on_output=not as_json,
    )
    as_expected = run.status == expect_exit
    if as_json:
        facts = {
            "status": run.status,
            "expected": expect_exit,
            "as_expected": as_expected,
            "bench_s": round(run.bench_s, 6),
            "late_s": round(run.late_s, 6),
            "stdout": run.stdout.decode("utf-8", "replace"),
            "stderr": run.stderr.decode("utf-8", "replace"),
            "recording": str(recording) if recording else None,
        }
        typer.echo(json.dumps(facts))
    else:
        ended = f"after {run.bench_s:.2f} s, at most {run.late_s * 1e3:.1f} ms late"
        status = f"the time limit of {limit_s:g} s ended it" if run.status is None else f"status {run.status}"
        verdict = "as expected" if as_expected else f"expected {expect_exit}"
        typer.echo(f"wakebench: {status} ({verdict}) {ended}", err=True)
    raise typer.Exit(0 if as_expected else 1)
