"""`wakebench script`: run a firmware-side script, unmodified, against a bench."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from hil.bench.files import BenchDescription
    from hil.scripts.runner import ScriptRun


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
        float, typer.Option("--limit", metavar="SECONDS", min=0.1, max=1e9, help="end it after so long")
    ] = 600,
    pace: Annotated[
        str,
        typer.Option(help="virtual, real, or x2 and the like: the modem alone is quicker"),
    ] = "virtual",
    strict_time: Annotated[
        bool, typer.Option("--strict-time", help="the run has to be exact: else 3 or 4 is the exit code")
    ] = False,
    env: Annotated[
        list[str] | None,
        typer.Option(
            "--env", metavar="NAME[=VALUE]", help="a variable that the script sees; may be repeated"
        ),
    ] = None,
    as_json: Annotated[bool, typer.Option("--json", help="print the outcome as JSON")] = False,
) -> None:
    """Run a firmware-side script, unmodified, against a bench: simulated, or in place on a hardware host.

    On a simulated bench a script sees this machine's system, the current folder and its own, all read-only;
    homes, /tmp, /run, /srv and the like are empty, writable, and go with the run. The run ends with the
    script: what it leaves behind in the background is ended too.
    """
    from hil.bench.files import load_bench
    from hil.bench.shipped import find_bench
    from hil.errors import UsageError
    from hil.pace import parse_pace
    from hil.scripts.apart import stand_apart
    from hil.scripts.runner import run_script

    factor = parse_pace(pace)
    description = load_bench(find_bench(bench))
    if recording is not None and (recording.is_dir() or not recording.parent.is_dir()):
        raise UsageError(f"--recording: found {str(recording)!r}; allowed: a file in a folder that exists")
    if description.file.bench.kind == "hardware":
        run = _on_hardware(description, command, limit_s=limit_s, env=env or [], recording=recording)
        if not as_json:
            typer.echo(run.stdout.decode("utf-8", "replace"), nl=False)
    else:
        stand_apart()
        run = run_script(
            description,
            command,
            factor=factor,
            limit_s=limit_s,
            environment=env or [],
            recording_path=recording,
            pass_on_output=not as_json,
            strict=strict_time,
        )
    as_expected = run.status == expect_exit
    if as_json:
        facts = {
            "status": run.status,
            "expected": expect_exit,
            "as_expected": as_expected,
            "bench_s": round(run.bench_s, 6),
            "wall_s": round(run.wall_s, 6),
            "pace": pace if run.is_virtual or factor is not None else "real",
            "is_exact": run.is_exact,
            "hung": run.hung,
            "notices": list(run.notices),
            "late_s": round(run.late_s, 6),
            "stdout": run.stdout.decode("utf-8", "replace"),
            "stderr": run.stderr.decode("utf-8", "replace"),
            "recording": str(recording) if recording else None,
        }
        typer.echo(json.dumps(facts))
    else:
        typer.echo(f"wakebench: {_told(run, limit_s, as_expected, expect_exit)}", err=True)
        for notice in run.notices:
            typer.echo(f"wakebench: {notice}", err=True)
    raise typer.Exit(0 if as_expected else 1)


def _on_hardware(
    description: BenchDescription,
    command: list[str],
    *,
    limit_s: float,
    env: list[str],
    recording: Path | None,
) -> ScriptRun:
    """In place on the bench's host, with the cautions before it."""
    from hil.bench.hardware.bench import HardwareBench
    from hil.bench.hardware.start import bring_to_start
    from hil.bench.hardware.station import Station
    from hil.cautions import BYPASSED, CAUTIONS
    from hil.interruption import interrupted_by_signals
    from hil.recording.store import RecordingFile
    from hil.scripts.on_host import check_statement, run_on_host

    check_statement(description)
    for caution in (*CAUTIONS, BYPASSED):
        typer.echo(f"caution: {caution}", err=True)
    with interrupted_by_signals():
        station = Station(description)
        try:
            bring_to_start(station)
            bench = HardwareBench(station)
            try:
                return run_on_host(bench, command, limit_s=limit_s, environment=env)
            finally:
                bench.close()
                if recording is not None:
                    file = RecordingFile(recording, bench.recording.head)
                    file.add(bench.recording)
                    file.close()
        finally:
            station.close()


def _told(run: ScriptRun, limit_s: float, as_expected: bool, expect_exit: int) -> str:
    """How it ended, and how long it took."""
    verdict = "as expected" if as_expected else f"expected {expect_exit}"
    if run.hung is not None:
        status = run.hung
    elif run.status is None:
        status = f"the time limit of {limit_s:g} s ended it"
    else:
        status = f"status {run.status}"
    if not run.is_virtual:
        return f"{status} ({verdict}) after {run.bench_s:.2f} s, at most {run.late_s * 1e3:.1f} ms late"
    exactness = "exact" if run.is_exact else "not exact"
    return f"{status} ({verdict}) after {run.bench_s:.2f} s, {exactness}, in {run.wall_s:.2f} s"
