"""All suites on both pairs, through ptys at virtual pace: they pass, and two runs are equal to the byte."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]
WAKEBENCH = Path(sys.executable).with_name("wakebench")


def run_suites(bench: str, folder: Path) -> str:
    command = [str(WAKEBENCH), "test", f"suites/benches/{bench}.toml", "--recordings", str(folder), "-q"]
    result = subprocess.run(command, cwd=TOP, check=False, capture_output=True, text=True, timeout=120)
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


@pytest.mark.slow
@pytest.mark.parametrize(("bench", "skipped"), [("gauge-station", 4), ("upper-station", 2)])
def test_the_suites_pass_in_seconds_and_two_runs_are_equal_also_on_a_busy_machine(
    tmp_path: Path, bench: str, skipped: int
) -> None:
    began = time.monotonic()
    quiet = run_suites(bench, tmp_path / "quiet")
    took_s = time.monotonic() - began
    spin = "while True: pass"
    hogs = [subprocess.Popen([sys.executable, "-c", spin]) for _ in range(2)]
    try:
        run_suites(bench, tmp_path / "busy")
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()

    assert f"{69 - skipped} passed, {skipped} skipped" in quiet
    assert took_s < 30
    assert contents(tmp_path / "quiet") == contents(tmp_path / "busy")
    assert len(contents(tmp_path / "quiet")) == 69
