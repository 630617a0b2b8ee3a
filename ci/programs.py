"""The programs that wait, run at virtual pace: for the tests, `determinism.py` and `speed.py`."""

from __future__ import annotations

import importlib.util
import shutil
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from hil.scripts.kept import KeptScripts
    from hil.scripts.runner import ScriptRun

FOLDER = Path(__file__).parent.parent / "tests" / "hil" / "scripts" / "virtual_time" / "programs"
# Clients' libraries, pure Python: copied to where the sandbox shows them.
PACKAGES = ("serial", "pexpect", "ptyprocess")


@dataclass(frozen=True, kw_only=True)
class Program:
    """One of them: its bench, its status, the end of what it says, and the seconds that it takes."""

    interpreter: str
    file: str
    bench: str = "already-on"
    status: int = 0
    last: str
    seconds: float | None = None


PROGRAMS = {
    "shell": Program(interpreter="bash", file="shell.sh", bench="gauge-station", last="status 124 after"),
    "python": Program(interpreter="python3", file="waits.py", last="26.000000 end", seconds=26),
    "pyserial": Program(interpreter="python3", file="serial_client.py", last="True True"),
    "chat": Program(interpreter="sh", file="chat.sh", last="status 4"),
    "expect": Program(interpreter="expect", file="dialogue.exp", last="TL4-1.4.2", seconds=9.5),
    "pexpect": Program(interpreter="python3", file="pexpect_client.py", last="1"),
    "lines": Program(
        interpreter="sh",
        file="lines.sh",
        bench="upper-station",
        last="export taken at 1001.15",
        seconds=1.151,
    ),
    "sleeps": Program(interpreter="sh", file="sleeps.sh", last="", seconds=600),
    "processes": Program(interpreter="sh", file="processes.sh", last=""),
}


def copy_packages(folder: Path) -> Path:
    """The libraries in *folder*."""
    folder.mkdir(exist_ok=True)
    for name in PACKAGES:
        spec = importlib.util.find_spec(name)
        assert spec is not None  # noqa: S101 # they are dependencies
        assert spec.origin is not None  # noqa: S101 # and have files
        shutil.copytree(Path(spec.origin).parent, folder / name)
    return folder


def run(kept: KeptScripts, name: str, packages: Path, recording: Path | None = None) -> ScriptRun:
    """Run one of the programs."""
    program = PROGRAMS[name]
    return kept.run(
        [program.interpreter, str(FOLDER / program.file)],
        bench=program.bench,
        folder=packages,
        limit_s=3600,
        environment=[f"PYTHONPATH={packages}"],
        recording_path=recording,
    )
