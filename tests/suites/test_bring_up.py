"""`bring_up.sh`, unmodified and at real pace, from every state it has to cope with.

The runs mostly sleep, so they are all under way at the same time.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from hil.recording.query import Recording
from hil.recording.store import load

TOP = Path(__file__).parents[2]
WAKEBENCH = Path(sys.executable).with_name("wakebench")

# What the header comment of the script promises, and how many presses each start may cost.
RUNS = {
    "gauge-station": (0, 1),
    "already-on": (0, 0),
    "key-on-rail": (0, 0),
    "radio-line-high": (20, 1),
    "dead-module": (10, 1),
}


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, tuple[int, str, Recording]]:
    """Exit code, stderr and recording of each run."""
    folder = tmp_path_factory.mktemp("bring_up")
    processes = {}
    for name, (status, _) in RUNS.items():
        kept = str(folder / f"{name}.jsonl")
        command = [str(WAKEBENCH), "script", name, "--recording", kept, "--expect-exit", str(status)]
        command += ["--", "suites/scripts/bring_up.sh"]
        processes[name] = subprocess.Popen(command, cwd=TOP, stderr=subprocess.PIPE, text=True)
    results = {}
    for name, process in processes.items():
        _, stderr = process.communicate(timeout=300)
        results[name] = (process.returncode, stderr, load(folder / f"{name}.jsonl"))
    return results


@pytest.mark.slow
@pytest.mark.parametrize("name", list(RUNS))
def test_it_ends_with_its_documented_code_and_presses_only_on_proof_of_off(
    runs: dict[str, tuple[int, str, Recording]], name: str
) -> None:
    code, stderr, recording = runs[name]
    status, presses = RUNS[name]
    pulses = recording.pulses("header/16", True)

    assert code == 0, stderr
    assert recording.on("script/2", "exit")[0].more["status"] == status
    assert len(pulses) == presses
    # Inside the good window of the profile: 1.1 x 0.7 s to 3.5 s.
    assert all(0.77e9 <= pulse.width_ns <= 3.5e9 for pulse in pulses)


@pytest.mark.slow
def test_the_recording_shows_why(runs: dict[str, tuple[int, str, Recording]]) -> None:
    registered = {name: [c.after for c in run[2].states("module/registration")] for name, run in runs.items()}
    radio = [change.after for change in runs["radio-line-high"][2].states("module/radio")]

    for name in ("gauge-station", "already-on", "key-on-rail"):
        assert registered[name][-1] == "registered home"
    assert registered["radio-line-high"] == registered["dead-module"] == []
    assert radio[-1] == "4"
    assert runs["dead-module"][2].states("module/power") == []


@pytest.mark.slow
def test_the_key_s_line_is_idle_at_the_end_and_the_pin_was_entered_once(
    runs: dict[str, tuple[int, str, Recording]],
) -> None:
    for name, (_, _, recording) in runs.items():
        assert recording.on("header/16", "level")[-1].more["value"] == 0, name
        assert recording.text("port/at", "to_module").count(b"AT+CPIN=") <= 1, name
