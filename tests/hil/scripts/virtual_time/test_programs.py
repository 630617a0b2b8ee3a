"""Programs of every kind say the same at the same instants, however often they run, however busy it is."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from hil.scripts.kept import KeptScripts
from hil.scripts.runner import ScriptRun

PROGRAMS = Path(__file__).with_name("programs")
PACKAGES = ("serial", "pexpect", "ptyprocess")

# Interpreter, program, bench, how many seconds it takes, and its last line.
RUNS = {
    "shell": ("bash", "shell.sh", "gauge-station", None, "status 124 after"),
    "python": ("python3", "waits.py", "already-on", 26.0, "26.000000 end"),
    "pyserial": ("python3", "serial_client.py", "already-on", None, "True True"),
    "chat": ("sh", "chat.sh", "already-on", None, "status 4"),
    "expect": ("expect", "dialogue.exp", "already-on", None, "TL4-1.4.2"),
    "pexpect": ("python3", "pexpect_client.py", "already-on", None, "1"),
}


@pytest.fixture(scope="session")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clients' libraries, where the sandbox shows them: pure Python, linked in."""
    import importlib.util
    import shutil

    folder = tmp_path_factory.mktemp("packages")
    for name in PACKAGES:
        spec = importlib.util.find_spec(name)
        assert spec is not None
        assert spec.origin is not None
        shutil.copytree(Path(spec.origin).parent, folder / name)
    return folder


def run(kept: KeptScripts, name: str, packages: Path, recording: Path) -> ScriptRun:
    interpreter, program, bench, _, _ = RUNS[name]
    return kept.run(
        [interpreter, str(PROGRAMS / program)],
        bench=bench,
        folder=packages,
        environment=[f"PYTHONPATH={packages}"],
        recording_path=recording,
    )


@pytest.mark.slow
@pytest.mark.parametrize("name", list(RUNS))
def test_it_says_what_it_should_and_equal_runs_are_equal_to_the_byte(
    kept: KeptScripts, packages: Path, tmp_path: Path, name: str
) -> None:
    _, _, _, seconds, last = RUNS[name]
    recordings = set()
    hogs: list[subprocess.Popen[bytes]] = []
    try:
        for number in range(8):
            if number == 4:
                spin = "while True: pass"
                hogs = [subprocess.Popen([sys.executable, "-c", spin]) for _ in range(os.cpu_count() or 1)]
            result = run(kept, name, packages, tmp_path / f"{number}.jsonl")
            assert result.status in (0, 4), result
            assert result.is_exact
            assert last in result.stdout.decode().splitlines()[-1], result
            assert seconds is None or result.bench_s == pytest.approx(seconds, abs=1e-6)
            recordings.add((tmp_path / f"{number}.jsonl").read_bytes())
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()

    assert len(recordings) == 1
