"""The command line as a user meets it: exit codes, one line of error, never a traceback."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest
import serial

TOP = Path(__file__).parents[3]
WAKEBENCH = Path(sys.executable).with_name("wakebench")
STATION = TOP / "suites/benches/gauge-station.toml"


def wakebench(*arguments: object, timeout_s: float = 60) -> subprocess.CompletedProcess[str]:
    command = [str(WAKEBENCH), *map(str, arguments)]
    return subprocess.run(command, check=False, capture_output=True, text=True, timeout=timeout_s, cwd=TOP)


def test_help_names_every_command() -> None:
    result = wakebench("--help")

    assert result.returncode == 0
    for command in ("wiring", "simulate", "test", "script", "precheck", "list"):
        assert f"\n  {command} " in result.stdout


@pytest.mark.parametrize(
    ("kind", "name"),
    [
        ("profiles", "tarn-l4"),
        ("wirings", "beck-carrier"),
        ("benches", "gauge-station"),
        ("suites", "power_key"),
        ("drivers", "gpiod"),
        ("commands", "AT+CPIN"),
    ],
)
def test_lists_are_for_people_and_as_json_for_programs(kind: str, name: str) -> None:
    text, data = wakebench("list", kind), wakebench("list", kind, "--json")

    assert name in text.stdout.split()
    assert name in [row["name"] for row in json.loads(data.stdout)]


WRONG = [
    (("list", "colours"), "colours"),
    (("test", "nosuch"), "unknown bench 'nosuch'; known: aged-capacitor"),
    (("test", "no.toml"), "no.toml: no such file; expected a bench file"),
    (
        ("test", STATION, "nosuch"),
        "unknown suite 'nosuch'; known: card, formatting, grammar, messages, power_key, radio_disable",
    ),
    (("simulate", STATION, "--pace", "virtual"), "pace: found 'virtual'; allowed: real"),
    (("script", STATION, "--pace", "slow", "--", "true"), "pace: found 'slow'"),
    (
        ("script", STATION, "--recording", "/no/such/folder/r.jsonl", "--", "true"),
        "a file in a folder that exists",
    ),
    (("script", STATION, "--recording", "/", "--", "true"), "found '/'; allowed: a file in a folder"),
    (("script", STATION, "--recording", "/dev/full", "--", "true"), "'/dev/full' cannot be written"),
    (("script", STATION, "--limit", "inf", "--", "true"), "--limit"),
    (("script", STATION, "--limit", "1e300", "--", "true"), "--limit"),
    (("script", STATION, "--env", "=x", "--", "true"), "environment: found '=x'; allowed: NAME=VALUE"),
    (("nonsense",), "nonsense"),
]


@pytest.mark.parametrize(("arguments", "message"), WRONG)
def test_wrong_use_is_told_without_a_traceback(arguments: tuple[object, ...], message: str) -> None:
    result = wakebench(*arguments)

    assert result.returncode == 2
    assert message in result.stderr
    assert "Traceback" not in result.stderr


def test_wiring_is_told_for_people_and_as_json_for_programs() -> None:
    text, data = wakebench("wiring", "key-on-rail"), wakebench("wiring", "key-on-rail", "--json")

    assert "finding key-always-asserted, pin 1, 3, 16" in text.stdout
    assert [finding["name"] for finding in json.loads(data.stdout)["findings"]] == [
        "key-always-asserted",
        "interface-tied-off",
    ]


@pytest.mark.parametrize("command", [("test",), ("simulate",), ("script",), ("wiring",)])
def test_a_bad_file_is_one_line_for_every_command(tmp_path: Path, command: tuple[str, ...]) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(STATION.read_text().replace("volts = 5.0", "volts = true"))
    result = wakebench(*command, path, *(("--", "true") if command == ("script",) else ()))

    assert result.returncode == 2
    assert result.stderr.splitlines() == [f"wakebench: {path}: supply.volts: found True; allowed: a number"]


def test_suites_by_name_and_by_test_and_pytest_s_options(tmp_path: Path) -> None:
    report = tmp_path / "out.xml"
    result = wakebench(
        "test", STATION, "power_key::test_a_short_press_is_ignored", "--junitxml", report, "-q"
    )

    assert result.returncode == 0
    assert "1 passed" in result.stdout
    assert report.exists()


def test_nothing_collected_is_wrong_use() -> None:
    assert wakebench("test", STATION, "-k", "nothing_of_that_name").returncode == 2


@pytest.mark.slow
def test_a_second_simulation_in_one_folder_is_refused_and_harms_nothing(tmp_path: Path) -> None:
    run = tmp_path / "run"
    command = [str(WAKEBENCH), "simulate", str(STATION), "--run-dir", str(run), "--for", "60"]
    first = subprocess.Popen(command, cwd=TOP, stdout=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 20
        while not (run / "ready.json").exists() and time.monotonic() < deadline:
            time.sleep(0.02)
        before = sorted(path.name for path in (run / "dev").iterdir())
        second = wakebench("simulate", STATION, "--run-dir", run, "--for", "1")
        after = sorted(path.name for path in (run / "dev").iterdir())
        is_ready = (run / "ready.json").exists()
    finally:
        first.terminate()
        first.wait(20)

    assert second.returncode == 2
    assert second.stderr.startswith("wakebench: --run-dir: another simulation is served in ")
    assert (before, is_ready) == (after, True)
    assert wakebench("simulate", STATION, "--run-dir", run, "--for", "0.1").returncode == 0


def test_a_run_folder_that_is_a_file_is_wrong_use(tmp_path: Path) -> None:
    (tmp_path / "run").write_text("x")
    result = wakebench("simulate", STATION, "--run-dir", tmp_path / "run", "--for", "1")

    assert (result.returncode, len(result.stderr.splitlines())) == (2, 1)


@pytest.mark.slow
@pytest.mark.parametrize("options", [(), ("-n", "2")], ids=["alone", "xdist"])
def test_a_file_that_is_no_python_is_wrong_use(tmp_path: Path, options: tuple[str, ...]) -> None:
    (tmp_path / "test_bad.py").write_text("def test_x(:")
    result = wakebench("test", STATION, str(tmp_path / "test_bad.py"), "-q", *options)

    assert result.returncode == 2, result.stdout


def test_a_failing_product_is_1_and_mixed_outcomes_follow_the_precedence(tmp_path: Path) -> None:
    suite = tmp_path / "test_mine.py"
    suite.write_text(
        "from hil.errors import BenchUnfitError, Inconclusive\n"
        "def test_alpha(bench): assert False\n"
        "def test_beta(bench): raise Inconclusive('x')\n"
        "def test_gamma(bench): raise BenchUnfitError(part='a', reason='b', cure='c')\n"
    )
    codes = [
        wakebench("test", STATION, suite, "-k", selected).returncode
        for selected in ("alpha", "beta", "alpha or beta", "alpha or beta or gamma")
    ]

    assert codes == [1, 4, 1, 3]


@pytest.mark.slow
def test_simulate_serves_links_header_files_and_recording_and_stops_cleanly(tmp_path: Path) -> None:
    run = tmp_path / "run"
    process = subprocess.Popen(
        [WAKEBENCH, "simulate", "already-on", "--run-dir", run],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    try:
        deadline = time.monotonic() + 20
        while not (run / "ready.json").exists() and time.monotonic() < deadline:
            time.sleep(0.02)
        facts = json.loads((run / "ready.json").read_text())
        with serial.Serial(facts["ports"]["at"], 115200, timeout=5) as port:
            port.write(b"ATE0\r")
            first = port.read_until(b"OK\r\n")
            port.write(b"AT+CGMR\r")
            second = port.read_until(b"OK\r\n")
        (run / "sys/class/gpio/export").write_text("84")
        direction = (run / "sys/class/gpio/gpio84/direction").read_text()
        present = sorted(path.name for path in (run / "dev").iterdir())
        device = Path(facts["usb"]) / "devices" / "1-1"
        identity = (device / "idVendor").read_text()
        (device / "power/control").write_text("auto")
        interface = (device / "1-1:1.3" / "ttyUSB3").is_dir()
    finally:
        process.send_signal(signal.SIGTERM)
        stdout, stderr = process.communicate(timeout=20)

    assert process.returncode == 0, stderr
    assert (first, second) == (b"ATE0\r\r\nOK\r\n", b"\r\nTL4-1.4.2\r\n\r\nOK\r\n")
    assert direction == "in\n"
    assert present == ["at", "data", "diag", "nmea", "ttyS1", *(f"ttyUSB{one}" for one in range(4)), "uart"]
    assert (identity, interface) == ("ffff\n", True)
    assert facts["header_by"] == "fuse"
    assert "no modem-control lines" in stdout
    assert list((run / "dev").iterdir()) == []
    assert not (run / "ready.json").exists()
    assert not os.path.ismount(run / "sys")
    recorded = (run / "recording.jsonl").read_text().splitlines()
    assert json.loads(recorded[0])["pace"] == "real"
    assert any('"text": "AT+CGMR\\r"' in line for line in recorded)


@pytest.mark.slow
def test_a_server_that_was_killed_leaves_a_folder_that_the_next_one_can_use(tmp_path: Path) -> None:
    run = tmp_path / "run"
    process = subprocess.Popen(
        [WAKEBENCH, "simulate", "already-on", "--run-dir", run], stdout=subprocess.DEVNULL
    )
    deadline = time.monotonic() + 20
    while not (run / "ready.json").exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    process.kill()
    process.wait(20)
    result = wakebench("simulate", "already-on", "--run-dir", run, "--for", "0.2")

    assert result.returncode == 0, result.stderr
    assert not os.path.ismount(run / "sys")


@pytest.mark.parametrize(
    ("options", "line"),
    [
        (("--over-tcp", "uart"), "--over-tcp: found without --rfc2217; allowed: with it, which says where"),
        (("--rfc2217", "0", "--over-tcp", "urat"), "unknown port 'urat' (did you mean 'uart'?); known: at, "),
    ],
)
def test_ports_over_tcp_that_cannot_be_are_refused(
    tmp_path: Path, options: tuple[str, ...], line: str
) -> None:
    result = wakebench("simulate", "already-on", "--run-dir", tmp_path / "run", "--for", "0.1", *options)

    assert result.returncode == 2
    [told] = result.stderr.splitlines()
    assert told.startswith(f"wakebench: {line}")


@pytest.mark.parametrize(
    ("options", "named"),
    [
        (("--worksheet", "--drawing", "a.svg"), "--drawing and --worksheet"),
        (("--worksheet", "--readings", "r.toml"), "--worksheet and --readings"),
        (("--json", "--drawing", "a.svg"), "--json and --drawing"),
    ],
)
def test_options_that_ask_for_two_outputs_are_refused(options: tuple[str, ...], named: str) -> None:
    result = wakebench("wiring", "gauge-station", *options)

    assert result.returncode == 2
    assert result.stderr.splitlines() == [
        f"wakebench: found {named} together; allowed: one of them at a time"
    ]
