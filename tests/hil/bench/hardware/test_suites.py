"""`wakebench test`, `script` and `precheck` on a hardware bench, as a user runs them."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
from pathlib import Path

import pytest

from hil.bench.files import load_bench
from hil.bench.shipped import find_bench
from hil.errors import UsageError
from hil.precheck import precheck
from hil.recording.store import load
from tests.undecided import decided

from .conftest import PACKAGE, TABLES, TOP, Files

WAKEBENCH = Path(sys.executable).with_name("wakebench")
pytestmark = pytest.mark.slow


def environment(files: Files) -> dict[str, str]:
    state = {"WAKEBENCH_STATE": str(files.folder / "state"), "ASHBECK_BENCH": str(files.model)}
    return {**os.environ, **state, "PYTHONPATH": str(PACKAGE)}


def wakebench(files: Files, *arguments: object) -> subprocess.CompletedProcess[str]:
    command = [str(WAKEBENCH), *map(str, arguments)]
    return decided(
        subprocess.run(
            command, check=False, capture_output=True, text=True, timeout=120, cwd=TOP, env=environment(files)
        )
    )


MINE = """
import atexit
import pathlib
import ashbeck_drivers
from hil.modem import Modem

def test_calls(modem):
    modem.start()
    modem.command("ATD112;")

def test_lacks(bench):
    bench.usb.cycle()

def test_breaks(bench, modem):
    modem.start()
    ashbeck_drivers.broken.add("supply")
    bench.supply.set_volts(4.5)

def test_unplugged(bench, modem):
    modem.start()
    modem.command("AT")
    ashbeck_drivers.broken.add("port at")
    modem.command("AT")

def test_after(bench):
    pass

def test_long(bench):
    bench.header["power_key"].set_active(True)
    print("pressed", flush=True)
    atexit.register(look)
    bench.clock.wait(60)

def look():
    level = ashbeck_drivers.model().model.board.lines.on_pin("16").level
    pathlib.Path(__file__).with_name("released").write_text(f"{bool(level)}\\n")
"""


@pytest.fixture
def mine(files: Files) -> Path:
    """Tests in which everything happens."""
    path = files.folder / "test_mine.py"
    path.write_text(MINE)
    return path


def test_shipped_suites_run_unchanged(files: Files) -> None:
    tests = (
        "power_key::test_a_short_press_is_ignored",
        "usb::test_a_reset_by_the_host_brings_the_ports_back_and_they_answer",
    )
    kept = files.folder / "kept"
    result = wakebench(files, "test", files.hardware, *tests, "-q", "-rs", "--recordings", kept)

    assert result.returncode == 0, result.stdout + result.stderr
    assert "1 passed, 1 skipped" in result.stdout
    assert "bench lab-1 lacks usb" in result.stdout
    recording = load(next(kept.glob("*short_press*")))
    assert recording.head["kind"] == "hardware"
    assert [event.what for event in recording if event.lane.startswith("suite/")] == ["start", "end"]


def test_a_refusal_is_wrong_use_and_a_part_that_is_missing_skips_the_test(files: Files, mine: Path) -> None:
    result = wakebench(
        files, "test", files.hardware, f"{mine}::test_calls", f"{mine}::test_lacks", "-q", "-rs"
    )

    assert result.returncode == 2
    assert "1 failed, 1 skipped" in result.stdout
    assert "guard emergency refused a call to 112: emergency numbers are never" in result.stdout
    assert "this bench has no usb: the bench file has no [drivers.usb]" in result.stdout


@pytest.mark.parametrize(
    ("test", "part", "cure"),
    [("test_breaks", "supply", "plug it in again"), ("test_unplugged", "port at", "plug its cable in again")],
)
def test_a_part_that_breaks_ends_the_run_with_one_line(
    files: Files, mine: Path, test: str, part: str, cure: str
) -> None:
    result = wakebench(files, "test", files.hardware, f"{mine}::{test}", f"{mine}::test_after", "-q")

    assert result.returncode == 3, result.stdout
    [line] = result.stderr.splitlines()
    assert line.startswith(f"wakebench: the bench is not fit: {part}: ")
    assert line.endswith(cure)
    assert "bench broken" in result.stdout
    assert "passed" not in result.stdout


def test_a_run_that_is_ended_from_outside_releases_key_and_lock_and_whoever_waits_gets_the_bench(
    files: Files, mine: Path
) -> None:
    def start(test: str, *options: str) -> subprocess.Popen[str]:
        command = [str(WAKEBENCH), "test", str(files.hardware), f"{mine}::{test}", "-q", "-s", *options]
        return subprocess.Popen(
            command,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
            env=environment(files),
            cwd=TOP,
        )

    holder = start("test_long")
    waiting = None
    try:
        assert holder.stdout is not None
        assert any("pressed" in line for line in holder.stdout)
        second = wakebench(files, "test", files.hardware, f"{mine}::test_after", "-q")
        waiting = start("test_after", "--wait", "30")
        holder.send_signal(signal.SIGTERM)
        holder.communicate(timeout=20)
        output, _ = waiting.communicate(timeout=40)
    finally:
        for process in (holder, waiting):
            if process is not None:
                process.kill()
                process.wait()

    assert (holder.returncode, second.returncode, waiting.returncode) == (3, 3, 0), output
    assert second.stderr.startswith("wakebench: the bench is not fit: bench lab-1: in use by ")
    assert f"pid {holder.pid}, since 20" in second.stderr
    assert json.loads((files.folder / "state/lab-1.json").read_text())["used"]["presses"] >= 1
    released = (files.folder / "released").read_text()
    assert released == "False\n"


@pytest.mark.parametrize("option", [("-n", "2"), ("--pace", "x10")])
def test_workers_and_other_paces_are_refused(files: Files, option: tuple[str, str]) -> None:
    result = wakebench(files, "test", files.hardware, *option)

    assert result.returncode == 2
    assert f"{option[0]}: found" in result.stderr


# -- precheck ----------------------------------------------------------------------------------


def test_precheck_shows_cautions_first_and_every_part_and_moves_nothing(files: Files) -> None:
    result = wakebench(files, "precheck", files.hardware)
    lines = result.stdout.splitlines()

    assert result.returncode == 0, result.stderr
    assert lines[0] == "cautions"
    assert "50 ohm load" in result.stdout[: result.stdout.index("bench lab-1")]
    for part in ("header pin 16", "header pin 18", "port at", "port uart", "supply", "meter", "budgets"):
        assert any(line.strip().startswith(f"fit    {part}") for line in lines), part
    assert lines[-1] == "nothing was moved or sent; the bench is fit to use"


def test_precheck_says_what_is_not_fit_and_what_to_do(files: Files) -> None:
    files.write({"transmit": {}, "drivers": {"ports": {"at": {"driver": "serial", "device": "/dev/none"}}}})
    result = wakebench(files, "precheck", files.hardware, "--json")
    data = json.loads(result.stdout)

    assert result.returncode == 3
    [line] = result.stderr.splitlines()
    assert line.startswith("wakebench: the bench is not fit: antenna: the bench file does not say what")
    assert line.endswith('state it: [transmit] antenna = "load"')
    assert data["fit"] is False
    verdicts = {row["part"]: row["verdict"] for row in data["parts"]}
    assert verdicts["port at"] == verdicts["power_key"] == "look"
    assert (verdicts["antenna"], verdicts["budgets"]) == ("unfit", "fit")


def test_precheck_of_a_simulated_bench_is_wrong_use() -> None:
    with pytest.raises(UsageError, match="bench.kind: found 'simulated'; allowed: hardware"):
        precheck(load_bench(find_bench("gauge-station")))


# -- scripts on the host -----------------------------------------------------------------------

SCRIPT = '#!/bin/sh\necho "$GREETING $1"\nls -a\nexit 4\n'


def test_a_script_on_the_host_is_refused_unless_nothing_can_come_of_it(files: Files) -> None:
    files.write({"drivers": {**TABLES["drivers"], "host": {"driver": "ashbeck"}}})
    result = wakebench(files, "script", files.hardware, "--", "true")

    assert result.returncode == 2
    assert "guard scripts refused a script on the host: it goes past the guards" in result.stderr
    assert 'card = "barred"' in result.stderr


def test_a_script_runs_in_place_on_the_host_with_its_caution_on_the_screen(files: Files) -> None:
    files.write(
        {
            "drivers": {**TABLES["drivers"], "host": {"driver": "ashbeck"}},
            "transmit": {"antenna": "load", "card": "barred"},
        }
    )
    script, kept = files.folder / "look.sh", files.folder / "kept.jsonl"
    script.write_text(SCRIPT)
    options = ("--expect-exit", "4", "--env", "GREETING=good morning", "--recording", kept)
    result = wakebench(files, "script", files.hardware, *options, "--", script, "river watch")

    assert result.returncode == 0, result.stderr
    assert result.stdout.splitlines() == ["good morning river watch", ".", "..", "look.sh"]
    assert "caution: A script that runs on the host itself goes past the guards" in result.stderr
    events = load(kept).on("script/host")
    assert [event.what for event in events] == ["start", "stdout", "exit"]
