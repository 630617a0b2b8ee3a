"""Shipped suites through the real serial, sysfs and SCPI drivers, against what another process serves."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
import tomli_w

from hil.testing import ScpiInstrument

from .conftest import TOP, fast_profile

WAKEBENCH = Path(sys.executable).with_name("wakebench")
TESTS = ("power_key::test_a_short_press_is_ignored", "formatting::test_s3_and_s4_stand_in_every_format")


@pytest.fixture
def served(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """`wakebench simulate` of a gauge station that boots ten times as fast."""
    fast_profile(tmp_path)
    bench = {"based_on": "gauge-station", "name": "served", "kind": "simulated"}
    (tmp_path / "served.toml").write_text(tomli_w.dumps({"bench": bench, "module": {"profile": "fast.toml"}}))
    command = [str(WAKEBENCH), "simulate", str(tmp_path / "served.toml"), "--run-dir", str(tmp_path / "run")]
    found = subprocess.Popen([*command, "--for", "120"], cwd=TOP, stdout=subprocess.PIPE, text=True)
    deadline = time.monotonic() + 30
    while not (tmp_path / "run/ready.json").exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    yield found
    found.kill()
    found.communicate()


def run(folder: Path, instrument: ScpiInstrument, *tests: str) -> subprocess.CompletedProcess[str]:
    sys_root = str(folder / "run/sys")
    tables: dict[str, Any] = {
        "bench": {"based_on": "gauge-station", "name": "through-drivers", "kind": "hardware"},
        "module": {"profile": "fast.toml"},
        "drivers": {
            "lines": {
                "16": {"driver": "sysfs", "number": 84, "root": sys_root},
                "18": {"driver": "sysfs", "number": 85, "root": sys_root},
            },
            "ports": {"at": {"driver": "serial", "device": str(folder / "run/dev/at")}},
            "supply": {"driver": "scpi", "resource": instrument.resource, "timeout_s": 1.0},
        },
        "transmit": {"antenna": "load"},
        "limits": {"max_volts": 5.5, "max_amps": 2.0},
    }
    (folder / "bench.toml").write_text(tomli_w.dumps(tables))
    return subprocess.run(
        [str(WAKEBENCH), "test", str(folder / "bench.toml"), *tests, "-q"],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
        cwd=TOP,
        env={**os.environ, "WAKEBENCH_STATE": str(folder / "state")},
    )


@pytest.mark.slow
def test_suites_pass_and_a_supply_that_is_taken_away_is_the_bench_s(
    tmp_path: Path, served: subprocess.Popen[str]
) -> None:
    assert served.poll() is None
    with ScpiInstrument() as instrument:
        passed = run(tmp_path, instrument, *TESTS)
        is_on = instrument.is_on, instrument.set_volts
        instrument.fault = "silent"
        broken = run(tmp_path, instrument, *TESTS)

    assert passed.returncode == 0, passed.stdout + passed.stderr
    assert "2 passed" in passed.stdout
    assert is_on == (True, 5.0)
    assert broken.returncode == 3
    [line] = broken.stderr.splitlines()
    assert line.startswith("wakebench: the bench is not fit: supply: TCPIP0::127.0.0.1")
    assert line.endswith("switch it on, and look at its cable")
