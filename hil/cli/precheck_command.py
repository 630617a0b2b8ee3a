"""`wakebench precheck`: is this hardware bench fit to use?"""

from __future__ import annotations

import json
from typing import Annotated

import typer


def precheck(
    bench: Annotated[str, typer.Argument(help="file of a hardware bench")],
    as_json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
    wait_s: Annotated[
        float, typer.Option("--wait", metavar="SECONDS", min=0, help="wait so long for whoever else uses it")
    ] = 0.0,
) -> None:
    """Look at every part of a hardware bench without moving or sending anything."""
    from hil.bench.files import load_bench
    from hil.bench.shipped import find_bench
    from hil.precheck import as_text, unfit_line
    from hil.precheck import precheck as look

    found = look(load_bench(find_bench(bench)), wait_s=wait_s)
    typer.echo(json.dumps(found.as_json(), indent=1) if as_json else as_text(found))
    if not found.is_fit:
        typer.echo(f"wakebench: {unfit_line(found)}", err=True)
        raise typer.Exit(3)
