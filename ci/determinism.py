"""Equal runs give equal recordings, also beside two busy processors.

Usage: python ci/determinism.py [--runs N] [--scripts N]      exit 1 when a recording differs
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
from contextlib import contextmanager
from functools import partial
from hashlib import sha256
from pathlib import Path
from typing import TYPE_CHECKING

from programs import PROGRAMS, copy_packages, run  # type: ignore[import-not-found] # beside this file

from hil.scripts.kept import KeptScripts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

TOP = Path(__file__).parent.parent
BENCHES = ("gauge-station", "upper-station")
SCRIPTS = ("shell", "python", "pyserial", "chat", "expect", "pexpect", "lines")


def digest(bench: str) -> str:
    """Run both suites on *bench* through ptys at virtual pace; one digest of all recordings."""
    with tempfile.TemporaryDirectory() as folder:
        command = ["wakebench", "test", f"suites/benches/{bench}.toml", "--recordings", folder, "-q"]
        subprocess.run(command, cwd=TOP, check=True, stdout=subprocess.DEVNULL)
        whole = sha256()
        for path in sorted(Path(folder).iterdir()):
            whole.update(path.name.encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()


@contextmanager
def busy() -> Iterator[None]:
    """Programs that never rest, one for each processor."""
    hogs = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(os.cpu_count() or 1)]
    try:
        yield
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()


def are_equal(name: str, runs: int, once: Callable[[], str]) -> bool:
    """Whether all runs have one digest: half of them alone, half beside busy processors."""
    digests = [once() for _ in range(runs - runs // 2)]
    with busy():
        digests += [once() for _ in range(runs // 2)]
    print(f"{name}: {len(digests)} runs, {len(set(digests))} outcome(s) {digests[0][:16]}", flush=True)
    return len(set(digests)) == 1


def main() -> int:
    """Suites, then scripts."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=10, help="of the suites on each bench")
    parser.add_argument("--scripts", type=int, default=20, help="of each program that waits")
    arguments = parser.parse_args()
    benches = BENCHES if arguments.runs else ()
    outcomes = [are_equal(bench, arguments.runs, partial(digest, bench)) for bench in benches]
    with tempfile.TemporaryDirectory() as folder, KeptScripts() as kept:
        packages = copy_packages(Path(folder) / "packages")
        recording = Path(folder) / "recording.jsonl"
        for name in SCRIPTS[: None if arguments.scripts else 0]:

            def once(name: str = name) -> str:
                result = run(kept, name, packages, recording)
                if result.status != PROGRAMS[name].status:
                    raise SystemExit(f"determinism: {name} ended with {result.status}: {result.stderr!r}")
                return sha256(recording.read_bytes()).hexdigest()

            outcomes.append(are_equal(name, arguments.scripts, once))
    return 0 if all(outcomes) else 1


if __name__ == "__main__":
    sys.exit(main())
