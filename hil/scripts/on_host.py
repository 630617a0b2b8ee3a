"""A script in, what it did out: run in place on the host of a hardware bench, over its shell.

It goes past the guards, for it has the pins and ports itself: the bench file has to state that nothing can
come of it.
"""

from __future__ import annotations

import secrets
import shlex
import time
from pathlib import Path
from typing import TYPE_CHECKING

from hil.cautions import BYPASSED
from hil.errors import GuardRefusedError, PartMissingError

from .runner import ScriptRun

if TYPE_CHECKING:
    from collections.abc import Sequence

    from hil.bench.files import BenchDescription
    from hil.bench.hardware.bench import HardwareBench

_LANE = "script/host"


def check_statement(description: BenchDescription) -> None:
    """Return where the bench file states a barred card or a shielded box; raises GuardRefusedError."""
    transmit = description.file.transmit
    if transmit.card != "barred" and transmit.antenna != "shielded-box":
        raise GuardRefusedError(
            guard="scripts", action="a script on the host", reason="it goes past the guards", cure=BYPASSED
        )


def run_on_host(
    bench: HardwareBench,
    command: Sequence[str],
    *,
    limit_s: float = 600.0,
    environment: Sequence[str] = (),
) -> ScriptRun:
    """Run *command* on the bench's host for at most *limit_s* seconds.

    A first word that is a file here is copied there and run from a folder of its own, which is removed.
    *environment* are `NAME=VALUE`.  Output and errors come in one.  Raises GuardRefusedError,
    PartMissingError or BenchUnfitError.
    """
    check_statement(bench.description)
    if "host" not in bench.parts:
        raise PartMissingError(part="host", why="the bench file has no [drivers.host]")
    shell = bench.shell()
    folder = f"/tmp/wakebench-{secrets.token_hex(6)}"  # noqa: S108 # on the host, with a name nobody guesses
    words = list(command)
    shell.run(f"mkdir -m 700 {folder}", timeout_s=10)
    local = Path(words[0])
    if local.is_file():
        words[0] = f"{folder}/{local.name}"
        shell.put(local.read_bytes(), words[0])
    settings = " ".join(shlex.quote(one) for one in environment)
    line = f"cd {folder} && {settings and f'env {settings} '}{shlex.join(words)}"
    began_ns, began_s = bench.clock.now_ns(), time.monotonic()
    bench.note(_LANE, "start", command=shlex.join(command))
    ran = shell.run(line, timeout_s=limit_s)
    bench.note(_LANE, "stdout", text=ran.output.decode("latin-1"))
    bench.note(_LANE, "exit", status=ran.status)
    bench_s = (bench.clock.now_ns() - began_ns) / 1e9
    shell.run(f"rm -rf {folder}", timeout_s=30)
    return ScriptRun(
        status=ran.status,
        stdout=ran.output,
        stderr=b"",
        bench_s=bench_s,
        wall_s=time.monotonic() - began_s,
        late_s=bench.clock.late_s(),
        recording=bench.recording,
        notices=(BYPASSED,),
    )
