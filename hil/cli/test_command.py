"""`wakebench test`: run suites on a bench."""

from __future__ import annotations

from typing import Annotated

import typer


def run_tests(
    context: typer.Context,
    bench: Annotated[str, typer.Argument(help="bench file, or the name of a demo bench")],
    suites: Annotated[
        list[str] | None,
        typer.Argument(help="suites by name (all when left out), or paths of tests"),
    ] = None,
) -> None:
    """Run suites on a bench.  All pytest options pass through."""
    from hil.suites_runner import run_suites

    given = [*(suites or []), *context.args]
    raise typer.Exit(int(run_suites(bench, given)))
