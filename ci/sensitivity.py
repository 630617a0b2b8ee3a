"""Proof that every suite test can fail: each is run on a bench that is wrong in the one way it looks for.

Usage: python ci/sensitivity.py [NAME...]      exit 1 when a test without a row exists, stays green on its
wrong bench, or is red on the sound one
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any

import tomli_w
from wrong_benches import ROWS, Row  # type: ignore[import-not-found] # beside this file

TOP = Path(__file__).parent.parent
BENCHES = TOP / "suites" / "benches"
FAILED = 1


def merged(data: dict[str, Any], change: dict[str, Any]) -> dict[str, Any]:
    """*data* with *change* laid over it, table by table."""
    result = dict(data)
    for name, value in change.items():
        before = result.get(name)
        result[name] = (
            merged(before, value) if isinstance(before, dict) and isinstance(value, dict) else value
        )
    return result


def run(bench: Path, *tests: str) -> tuple[int, str]:
    """Exit code and output of some tests on one bench; of all where none is named."""
    command = ["wakebench", "test", str(bench), *tests, "--ports", "memory", "-q"]
    result = subprocess.run(command, cwd=TOP, check=False, capture_output=True, text=True, timeout=120)
    return result.returncode, result.stdout + result.stderr


def judge(row: Row, folder: Path) -> tuple[Row, bool, str]:
    """Whether the row's test is red on its wrong bench."""
    source = BENCHES / f"{row.bench}.toml"
    wrong = folder / f"{row.test}.toml"
    data = merged(tomllib.loads(source.read_text(encoding="utf-8")), row.change)
    if row.parts:
        data = merged(data, {"board": {"rework": {"parts": row.parts}}})
    wrong.write_text(tomli_w.dumps(data))
    code, output = run(wrong, f"{row.suite}::{row.test}")
    if code != FAILED or not re.search(r"\b[1-9]\d* failed", output):
        return row, False, f"exit code {code} on the wrong bench\n{output}"
    reason = (
        next((line for line in output.splitlines() if line.startswith("E  ")), "").removeprefix("E").strip()
    )
    return row, True, reason


def all_tests() -> set[tuple[str, str]]:
    """Every suite test by suite and name."""
    result = subprocess.run(
        ["wakebench", "test", "gauge-station", "--collect-only", "-q"],  # noqa: S607 # as set up by ci/setup
        cwd=TOP,
        check=True,
        capture_output=True,
        text=True,
    )
    lines = [line for line in result.stdout.splitlines() if "::" in line]
    return {
        (Path(line.split("::")[0]).stem.removeprefix("test_"), line.split("::")[1].split("[")[0])
        for line in lines
    }


def main(names: list[str]) -> int:
    """Judge every row, or those whose test is named."""
    missing = all_tests() - {(row.suite, row.test) for row in ROWS}
    for suite, test in sorted(missing):
        print(f"NO ROW    {suite}::{test}")
    rows = [row for row in ROWS if not names or row.test in names]
    all_right = not missing
    for bench in sorted({row.bench for row in rows}):
        code, output = run(BENCHES / f"{bench}.toml")
        print(f"{'green' if code == 0 else 'NOT GREEN':<9} every test on the sound bench {bench}")
        if code != 0:
            print(output)
            all_right = False
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(2) as pool:
        for row, is_right, reason in pool.map(lambda row: judge(row, Path(folder)), rows):
            print(f"{'red' if is_right else 'NOT RED':<9} {row.suite}::{row.test}")
            print(f"          {row.wrong}: {reason}")
            all_right = all_right and is_right
    print(f"{len(rows)} rows, {'all as they should be' if all_right else 'NOT ALL RIGHT'}")
    return 0 if all_right else 1


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
