"""`wakebench simulate`: serve a modem on ptys until stopped."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def simulate(
    bench: Annotated[str, typer.Argument(help="bench file, or the name of a demo bench")],
    run_dir: Annotated[
        Path,
        typer.Option("--run-dir", metavar="DIR", help="where dev/, sys/, ready.json and the recording go"),
    ] = Path("run"),
    pace: Annotated[str, typer.Option(help="real, or a factor such as x10")] = "real",
    rfc2217: Annotated[
        str | None,
        typer.Option(
            "--rfc2217",
            metavar="[ADDRESS:]NUMBER",
            help="ports over TCP (RFC 2217) from this number on, 0: any free; on loopback without ADDRESS",
        ),
    ] = None,
    over_tcp: Annotated[
        list[str] | None,
        typer.Option(
            "--over-tcp",
            metavar="PORT",
            help="with --rfc2217: this port alone, the others stay pseudo-terminals; may be given again",
        ),
    ] = None,
    instruments: Annotated[
        str | None,
        typer.Option(
            "--instruments",
            metavar="[ADDRESS:]NUMBER",
            help="supply, meter and attenuator by SCPI over TCP on this number, 0: any free; on loopback",
        ),
    ] = None,
    for_s: Annotated[
        float | None,
        typer.Option("--for", metavar="SECONDS", min=0, help="stop by itself after so many seconds"),
    ] = None,
) -> None:
    """Serve a simulated modem on pseudo-terminals, or over RFC 2217, until stopped."""
    from hil.bench.files import load_bench
    from hil.bench.shipped import find_bench
    from hil.errors import UsageError
    from hil.pace import parse_pace
    from hil.serve import parse_listening, serve

    factor = parse_pace(pace)
    if factor is None:
        raise UsageError(
            "pace: found 'virtual'; allowed: real, or a factor such as x10 (programs wait in wall time)"
        )
    description = load_bench(find_bench(bench))
    if description.file.bench.kind != "simulated":
        raise UsageError(f"{description.path}: bench.kind: found 'hardware'; allowed: simulated")
    if over_tcp and rfc2217 is None:
        raise UsageError("--over-tcp: found without --rfc2217; allowed: with it, which says where to listen")
    serve(
        description,
        run_dir,
        factor=factor,
        for_s=for_s,
        rfc2217=None if rfc2217 is None else parse_listening(rfc2217, "--rfc2217"),
        over_tcp=over_tcp or (),
        instruments=None if instruments is None else parse_listening(instruments, "--instruments"),
    )
