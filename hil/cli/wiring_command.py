"""`wakebench wiring`: what each pin does."""

from __future__ import annotations

import json
from typing import Annotated

import typer


def show_wiring(
    bench: Annotated[str, typer.Argument(help="bench file, or the name of a demo bench")],
    as_json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
) -> None:
    """Tell what each header pin does, and what is wrong with the wiring."""
    from hil.bench.files import find_bench, load_bench
    from hil.report.wiring import as_text, wiring_report

    report = wiring_report(load_bench(find_bench(bench)))
    typer.echo(json.dumps(report, indent=1) if as_json else as_text(report))
