"""A machine that is late: recorded, and whatever was timed meanwhile is inconclusive, never passed."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from hil.recording.store import load

from .stand_in import StandIn

pytestmark = pytest.mark.slow

# The machine is made late as a busy one would make it: the whole process gets no time for a while.
MINE = """
import os
import signal
import subprocess

import pytest

from hil.errors import LateRunError

def no_time_for(seconds):
    subprocess.Popen(["sh", "-c", f"sleep {seconds}; kill -CONT {os.getpid()}"])
    os.kill(os.getpid(), signal.SIGSTOP)

def time_a_silence(bench, measure, stop_s=0):
    port = bench.ports.open("uart")  # the module is off
    began_s = bench.clock.now_s()
    port.write(b"x")
    if stop_s:
        no_time_for(stop_s)
    port.read(timeout_s=0.2)
    measure("silence", bench.clock.now_s() - began_s, "s", high=10)
    port.close()

def test_in_time(bench, modem, measure, monkeypatch):
    no_time_for(0.3)
    bench.clock.wait(0.1)  # what is timed after it has nothing to do with it
    for _ in range(20):  # on a busy machine some time or other
        try:
            time_a_silence(bench, measure)
            break
        except LateRunError:
            continue
    else:
        time_a_silence(bench, measure)
    wait = bench.clock.wait

    def longer(seconds):
        no_time_for(seconds + 0.1)
        wait(seconds)

    monkeypatch.setattr(bench.clock, "wait", longer)
    with pytest.raises(LateRunError):
        modem.press(0.01)

def test_late(bench, measure):
    time_a_silence(bench, measure, 0.3)

def test_beyond_hope(bench):
    no_time_for(1.2)
"""
VERDICTS = {"test_in_time": "PASSED", "test_late": "INCONCLUSIVE", "test_beyond_hope": "INCONCLUSIVE"}


def test_what_a_late_machine_has_timed_is_inconclusive_and_its_lateness_recorded(tmp_path: Path) -> None:
    suite, kept = tmp_path / "test_mine.py", tmp_path / "kept"
    suite.write_text(MINE)
    with StandIn(tmp_path) as stand_in:
        result = stand_in.wakebench("test", stand_in.bench, suite, "-v", "--recordings", kept)
    verdicts = dict(re.findall(r"::(\w+) ([A-Z]+) +\[", result.stdout))
    recording = load(next(kept.glob("*test_late*")))
    late = [int(str(event.more["value"])) for event in recording.on("pace", "late")]

    assert verdicts == VERDICTS, result.stdout
    assert result.returncode == 4
    assert "repeat it on a quieter machine" in result.stdout
    assert max(late) > 200_000_000
