"""`wakebench wiring`: what each pin does, and whether the board on the desk is wired so."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Annotated

import typer


def show_wiring(
    bench: Annotated[str, typer.Argument(help="bench file, or the name of a demo bench")],
    as_json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
    worksheet: Annotated[
        bool, typer.Option("--worksheet", help="what to measure on the board, and what to expect")
    ] = False,
    readings: Annotated[
        Path | None, typer.Option("--readings", help="file of readings: which wiring error explains them")
    ] = None,
    drawing: Annotated[
        Path | None, typer.Option("--drawing", help="write each pin's path as a drawing, FILE.svg")
    ] = None,
) -> None:
    """Tell what each header pin does, and what is wrong with the wiring."""
    _one_at_most(
        {"--json": as_json and drawing is not None, "--drawing": drawing is not None}
        | {"--worksheet": worksheet, "--readings": readings is not None}
    )
    if drawing is not None:
        _draw(bench, drawing)
        return
    from hil.bench.files import load_bench
    from hil.bench.shipped import find_bench

    description = load_bench(find_bench(bench))
    if readings is not None:
        from hil.report.worksheet import readings_report, readings_text

        report, text = readings_report(description, readings), readings_text
    elif worksheet:
        from hil.report.worksheet import worksheet_report, worksheet_text

        report, text = worksheet_report(description), worksheet_text
    else:
        from hil.report.wiring import as_text, wiring_report

        report, text = wiring_report(description), as_text
    typer.echo(json.dumps(report, indent=1) if as_json else text(report))


def _one_at_most(given: dict[str, bool]) -> None:
    """Refuse options that each ask for another output: none is dropped without a word."""
    from hil.errors import UsageError

    found = [option for option, is_given in given.items() if is_given]
    if len(found) > 1:
        raise UsageError(f"found {' and '.join(found)} together; allowed: one of them at a time")


def _draw(bench: str, path: Path) -> None:
    from hil.bench.files import load_bench
    from hil.bench.shipped import find_bench
    from hil.errors import UsageError
    from hil.report.drawing import draw, svg
    from hil.report.wiring import wiring_report

    if path.suffix != ".svg":
        raise UsageError(f"--drawing: found {path.name!r}; allowed: a file whose name ends in .svg")
    description = load_bench(find_bench(bench))
    text = svg(draw(description, wiring_report(description)))
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        reason = (error.strerror or str(error)).lower()
        raise UsageError(f"--drawing: {path} cannot be written: {reason}; name another file") from error
    typer.echo(f"wrote {path}")
