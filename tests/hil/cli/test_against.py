"""`wakebench test BENCH --against FOLDER`: the same tests on two benches, and where they differ."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[3]
WAKEBENCH = Path(sys.executable).with_name("wakebench")
TEST = "registration::test_it_registers_in_the_profile_s_time"
NAME = "test_registration-test_it_registers_in_the_profile_s_time"


def run(bench: str, *options: object) -> subprocess.CompletedProcess[str]:
    command = [str(WAKEBENCH), "test", bench, TEST, "-q", *map(str, options)]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=60, cwd=TOP)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The recordings of a run on the gauge station."""
    folder = tmp_path_factory.mktemp("kept")
    assert run("gauge-station", "--recordings", folder).returncode == 0
    return folder


@pytest.mark.slow
def test_the_same_bench_is_the_same(kept: Path) -> None:
    result = run("gauge-station", "--against", kept)

    assert result.returncode == 0
    assert result.stdout.splitlines()[-1] == f"{NAME}: the same"


@pytest.mark.slow
def test_another_module_differs_in_text_and_time_and_its_recordings_are_kept(
    kept: Path, tmp_path: Path
) -> None:
    result = run("upper-station", f"--against={kept}", "--recordings", tmp_path)
    told = [line for line in result.stdout.splitlines() if line.startswith(f"{NAME}: ")]

    assert result.returncode == 1
    assert any("port/at: text: " in line for line in told)
    assert any(": time: " in line for line in told)
    assert [path.name for path in tmp_path.iterdir()] == [f"{NAME}.jsonl"]


@pytest.mark.slow
def test_a_test_without_counterpart_is_told(tmp_path: Path) -> None:
    result = run("gauge-station", "--against", tmp_path)

    assert result.returncode == 1
    assert result.stdout.splitlines()[-1] == f"{NAME}: no recording there"


@pytest.mark.parametrize(
    ("options", "line"),
    [(("--against", "nowhere"), "nowhere: no such"), (("--against",), "--against needs a folder")],
)
def test_a_wrong_use_is_one_line(options: tuple[str, ...], line: str) -> None:
    result = run("gauge-station", *options)

    assert result.returncode == 2
    assert line in result.stderr
    assert len(result.stderr.splitlines()) == 1
