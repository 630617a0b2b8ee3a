"""Equal runs give equal recordings, also beside two busy processors.

Usage: python ci/determinism.py [--runs N]      exit 1 when a recording differs
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from hashlib import sha256
from pathlib import Path

TOP = Path(__file__).parent.parent
BENCHES = ("gauge-station", "upper-station")


def digest(bench: str) -> str:
    """Run both suites on *bench* through ptys at virtual pace; one digest of all recordings."""
    with tempfile.TemporaryDirectory() as folder:
        command = ["wakebench", "test", f"suites/benches/{bench}.toml", "--recordings", folder, "-q"]
        subprocess.run(command, cwd=TOP, check=True, stdout=subprocess.DEVNULL)
        whole = sha256()
        for path in sorted(Path(folder).iterdir()):
            whole.update(path.name.encode() + b"\0" + path.read_bytes())
    return whole.hexdigest()


def main() -> int:
    """Half of the runs alone, half beside two programs that never rest."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").partition("\n")[0])
    parser.add_argument("--runs", type=int, default=10)
    runs = parser.parse_args().runs
    all_equal = True
    for bench in BENCHES:
        digests = [digest(bench) for _ in range(runs - runs // 2)]
        hogs = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(2)]
        try:
            digests += [digest(bench) for _ in range(runs // 2)]
        finally:
            for hog in hogs:
                hog.kill()
                hog.wait()
        is_equal = len(set(digests)) == 1
        all_equal = all_equal and is_equal
        print(f"{bench}: {len(digests)} runs, {len(set(digests))} outcome(s) {digests[0][:16]}")
    return 0 if all_equal else 1


if __name__ == "__main__":
    sys.exit(main())
