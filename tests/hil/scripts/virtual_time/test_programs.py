"""Programs of every kind say the same at the same instants, however often they run, however busy it is."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

from hil.scripts.kept import KeptScripts

TOP = Path(__file__).parents[4]
NAMES = ("shell", "python", "pyserial", "chat", "expect", "pexpect")


@pytest.fixture(scope="session")
def programs() -> ModuleType:
    """ci/programs.py, loaded from its file."""
    spec = importlib.util.spec_from_file_location("programs", TOP / "ci" / "programs.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules["programs"] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def packages(programs: ModuleType, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The clients' libraries, where the sandbox shows them."""
    folder: Path = programs.copy_packages(tmp_path_factory.mktemp("packages"))
    return folder


@pytest.mark.slow
@pytest.mark.parametrize("name", NAMES)
def test_it_says_what_it_should_and_equal_runs_are_equal_to_the_byte(
    kept: KeptScripts, programs: ModuleType, packages: Path, tmp_path: Path, name: str
) -> None:
    program = programs.PROGRAMS[name]
    recordings = set()
    hogs: list[subprocess.Popen[bytes]] = []
    try:
        for number in range(8):
            if number == 4:
                spin = "while True: pass"
                hogs = [subprocess.Popen([sys.executable, "-c", spin]) for _ in range(os.cpu_count() or 1)]
            result = programs.run(kept, name, packages, tmp_path / f"{number}.jsonl")
            assert result.status == program.status, result
            assert program.last in result.stdout.decode().splitlines()[-1], result
            assert program.seconds is None or result.bench_s == pytest.approx(program.seconds, abs=1e-3)
            recordings.add((tmp_path / f"{number}.jsonl").read_bytes())
    finally:
        for hog in hogs:
            hog.kill()
            hog.wait()

    assert len(recordings) == 1
