"""The fixture `script`: a script on the bench of the session, from a test, also in several workers."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

WAKEBENCH = Path(sys.executable).with_name("wakebench")

TESTS = """
import pytest

@pytest.mark.parametrize("seconds", [5, 50])
def test_a_script_waits_in_no_time(script, seconds):
    run = script("sh", "-c", f"sleep {seconds}; echo waited; exit 3")
    again = script("sh", "-c", "echo 84 >/sys/class/gpio/export")
    assert (run.status, run.stdout, run.bench_s) == (3, b"waited\\n", seconds)
    assert run.is_exact
    assert again.status == 0
    assert run.recording.on("script/2", "exit")[0].t_ns == seconds * 10**9
"""


@pytest.mark.slow
def test_scripts_run_from_tests_and_leave_their_recordings(tmp_path: Path) -> None:
    (tmp_path / "test_scripts.py").write_text(TESTS)
    command = [str(WAKEBENCH), "test", "gauge-station", str(tmp_path / "test_scripts.py"), "-n", "2", "-q"]
    command += ["--recordings", str(tmp_path / "recordings")]
    result = subprocess.run(command, cwd=tmp_path, check=False, capture_output=True, text=True, timeout=120)

    assert result.returncode == 0, result.stdout + result.stderr
    assert "2 passed" in result.stdout
    assert len(list((tmp_path / "recordings").glob("*-script-[12].jsonl"))) == 4
