"""Whatever is killed, nothing is left behind: no process, no mount, no folder."""

from __future__ import annotations

import contextlib
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

WAKEBENCH = Path(sys.executable).with_name("wakebench")
SCRIPT = "(sleep 1000 & sleep 2000) & while :; do date >/tmp/now; sleep 0.01; done"


def descendants(pid: int) -> list[int]:
    """All processes below *pid*, children first."""
    found: list[int] = []
    try:
        tasks = list(Path(f"/proc/{pid}/task").iterdir())
        for task in tasks:
            for child in (task / "children").read_text().split():
                found += [int(child), *descendants(int(child))]
    except OSError:
        pass
    return found


def alive(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] not in "ZX"
    except OSError:
        return False


def kill_one(tree: list[int], chance: random.Random) -> None:
    """The outer process is spared, for it clears up: its child is killed, or any process of the script."""
    with contextlib.suppress(ProcessLookupError):  # some live for a moment only
        os.kill(chance.choice(tree), chance.choice([signal.SIGKILL, signal.SIGTERM]))


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(int(os.environ.get("WAKEBENCH_KILLS", "8"))))  # ci/nightly: 200
def test_random_kills_leave_nothing_behind(tmp_path: Path, seed: int) -> None:
    chance = random.Random(seed)  # noqa: S311 # nothing here is a secret
    command = [str(WAKEBENCH), "script", "already-on", "--limit", "1e6", "--", "sh", "-c", SCRIPT]
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 10
        while len(descendants(process.pid)) < 5 and time.monotonic() < deadline:
            time.sleep(0.01)
        time.sleep(chance.random() * 0.3)
        tree = descendants(process.pid)
        kill_one(tree, chance)
        time.sleep(0.1)
    finally:
        if process.poll() is None:
            process.send_signal(signal.SIGTERM)
        process.wait(20)
    deadline = time.monotonic() + 5
    while any(map(alive, tree)) and time.monotonic() < deadline:
        time.sleep(0.01)

    assert [pid for pid in tree if alive(pid)] == []
    assert list(tmp_path.iterdir()) == []
    assert str(tmp_path) not in Path("/proc/self/mountinfo").read_text()


@pytest.mark.slow
def test_the_run_ends_with_the_process_that_waits_for_it(tmp_path: Path) -> None:
    command = [str(WAKEBENCH), "script", "already-on", "--limit", "1e6", "--", "sh", "-c", SCRIPT]
    environment = {**os.environ, "TMPDIR": str(tmp_path)}
    process = subprocess.Popen(command, env=environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    deadline = time.monotonic() + 10
    while len(descendants(process.pid)) < 5 and time.monotonic() < deadline:
        time.sleep(0.01)
    tree = descendants(process.pid)
    process.kill()
    process.wait()
    deadline = time.monotonic() + 10
    while any(map(alive, tree)) and time.monotonic() < deadline:
        time.sleep(0.01)

    assert [pid for pid in tree if alive(pid)] == []
    assert str(tmp_path) not in Path("/proc/self/mountinfo").read_text()
