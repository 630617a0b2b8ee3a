"""All suites on both pairs, through ptys at virtual pace: they pass, and two runs are equal to the byte."""

from __future__ import annotations

import re
import subprocess
import sys
import time
import tomllib
from pathlib import Path

import pytest
import tomli_w

from tests.undecided import decided

TOP = Path(__file__).parents[2]
WAKEBENCH = Path(sys.executable).with_name("wakebench")


def run_suites(bench: str, folder: Path) -> str:
    command = [str(WAKEBENCH), "test", f"suites/benches/{bench}.toml", "--recordings", str(folder), "-q"]
    result = subprocess.run(command, cwd=TOP, check=False, capture_output=True, text=True, timeout=120)
    assert result.returncode == 0, result.stdout + result.stderr
    return result.stdout


def contents(folder: Path) -> dict[str, bytes]:
    return {path.name: path.read_bytes() for path in folder.iterdir()}


AT_REAL_PACE = (
    "usb::test_a_command_wakes_the_bus_and_is_answered_in_time",
    "usb::test_a_reset_by_the_host_brings_the_ports_back_and_they_answer",
    "usb::test_a_dead_handle_keeps_its_number_until_it_is_closed",
    "uart::test_it_answers_at_the_profile_s_rate_and_framing",
    "uart::test_the_echo_is_as_the_profile_says_until_it_is_set",
    "uart::test_after_a_rest_it_wakes_with_the_second_command_at_the_latest",
    "grammar::test_another_terminator_counts_from_the_result_of_its_line_on",
    "formatting::test_the_echo_comes_character_by_character_as_it_was_sent",
    "unsolicited::test_a_report_cuts_into_a_reply_only_where_the_profile_lets_it",
)

AT_SUITES = ("grammar", "formatting", "unsolicited")


@pytest.mark.slow
def test_a_selection_passes_at_real_pace() -> None:
    command = [str(WAKEBENCH), "test", "already-on", *AT_REAL_PACE, "--pace", "real", "-q"]
    result = decided(
        subprocess.run(command, cwd=TOP, check=False, capture_output=True, text=True, timeout=120)
    )

    assert result.returncode == 0, result.stdout + result.stderr
    assert f"{len(AT_REAL_PACE)} passed" in result.stdout


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

    assert (found := re.search(rf"([1-9]\d\d+) passed, {skipped} skipped", quiet)), quiet
    assert took_s < 30
    assert contents(tmp_path / "quiet") == contents(tmp_path / "busy")
    assert len(contents(tmp_path / "quiet")) == int(found[1]) + skipped


@pytest.mark.slow
def test_the_at_suites_pass_on_a_module_whose_reports_cut_its_replies_between_any_two_bytes(
    tmp_path: Path,
) -> None:
    profile = tomllib.loads((TOP / "simulator/profiles/tarn-l4.toml").read_text(encoding="utf-8"))
    profile["at"] |= {"hold_unsolicited": False, "reply_piece": 1, "piece_gap_s": 0.01}
    (tmp_path / "talkative.toml").write_text(tomli_w.dumps(profile))
    bench = tomllib.loads((TOP / "suites/benches/gauge-station.toml").read_text(encoding="utf-8"))
    bench["module"]["profile"] = "talkative.toml"
    (tmp_path / "bench.toml").write_text(tomli_w.dumps(bench))
    command = [str(WAKEBENCH), "test", str(tmp_path / "bench.toml"), *AT_SUITES, "-q"]
    result = subprocess.run(command, cwd=TOP, check=False, capture_output=True, text=True, timeout=120)

    assert result.returncode == 0, result.stdout + result.stderr
    assert "30 passed" in result.stdout
