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
) -> None:
    """Tell what each header pin does, and what is wrong with the wiring."""
    from hil.bench.files import find_bench, load_bench

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
