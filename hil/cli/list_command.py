"""`wakebench list`: the names that files and commands may use."""

from __future__ import annotations

import json
from typing import Annotated, Literal, TypeAlias

import typer

Kind: TypeAlias = Literal["profiles", "wirings", "benches", "suites", "drivers", "commands"]


def list_names(
    kind: Annotated[Kind, typer.Argument(help="what to list")],
    as_json: Annotated[bool, typer.Option("--json", help="as JSON")] = False,
) -> None:
    """List profiles, wirings, benches, suites, drivers of hardware benches, or AT commands."""
    rows = _ROWS[kind]()
    if as_json:
        typer.echo(json.dumps(rows, indent=1))
        return
    widths = [
        max((len(cell) for cell in column), default=0)
        for column in zip(*(row.values() for row in rows), strict=True)
    ]
    for row in rows:
        cells = (cell.ljust(width) for cell, width in zip(row.values(), widths, strict=True))
        typer.echo("  ".join(cells).rstrip())


def _files(kind: Literal["profiles", "wirings"]) -> list[dict[str, str]]:
    from hil.bench.shipped import shipped
    from hil.bench.toml import read_toml

    rows = []
    for name, path in shipped(kind).items():
        first = path.read_text(encoding="utf-8").splitlines()[0].removeprefix("# ")
        read_toml(path, wanted="a shipped file")
        rows.append({"name": name, "what": first})
    return rows


def _benches() -> list[dict[str, str]]:
    from hil.bench.shipped import demo_benches

    return [
        {"name": name, "what": path.read_text(encoding="utf-8").splitlines()[0].removeprefix("# ")}
        for name, path in demo_benches().items()
    ]


def _suites() -> list[dict[str, str]]:
    import ast

    from hil.suites_runner import suite_names

    rows = []
    for name, path in suite_names().items():
        docstring = ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or ""
        rows.append({"name": name, "what": docstring.partition("\n")[0]})
    return rows


def _commands() -> list[dict[str, str]]:
    import simulator.at.commands
    from simulator.at.grammar import Form
    from simulator.at.registry import COMMANDS

    del simulator.at.commands
    return [
        {
            "name": f"AT{command.name}",
            "standard": command.standard,
            "clause": command.clause,
            "forms": " ".join(form.value for form in Form if form in command.all_forms),
            "what": command.summary,
        }
        for command in sorted(COMMANDS, key=lambda command: command.name)
    ]


def _drivers() -> list[dict[str, str]]:
    from hil.bench.drivers.table import OWN, known

    return [
        {"name": name, "part": kind, "from": "wakebench" if name in OWN[kind] else "another package"}
        for kind in OWN
        for name in known(kind)
    ]


_ROWS = {
    "profiles": lambda: _files("profiles"),
    "wirings": lambda: _files("wirings"),
    "benches": _benches,
    "suites": _suites,
    "drivers": _drivers,
    "commands": _commands,
}
