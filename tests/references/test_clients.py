"""Programs that are not ours hold a dialogue with `wakebench simulate`.

chat comes from Debian's ppp, microcom, socat and gammu from packages of their names, stty from coreutils.
A program that is missing fails.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pexpect
import pytest
import serial

from hil.scripts.kept import KeptScripts

TOP = Path(__file__).parents[2]
WAKEBENCH = Path(sys.executable).with_name("wakebench")
SBIN = "/usr/sbin:/sbin:/usr/bin:/bin:/usr/local/bin"


@pytest.fixture(scope="module")
def port(tmp_path_factory: pytest.TempPathFactory) -> Iterator[str]:
    """The AT port of a served module that is ready."""
    run = tmp_path_factory.mktemp("served") / "run"
    process = subprocess.Popen(
        [WAKEBENCH, "simulate", "already-on", "--run-dir", run, "--for", "120"],
        cwd=TOP,
        stdout=subprocess.DEVNULL,
    )
    deadline = time.monotonic() + 20
    while not (run / "ready.json").exists() and time.monotonic() < deadline:
        time.sleep(0.02)
    yield str(json.loads((run / "ready.json").read_text())["ports"]["at"])
    process.terminate()
    process.wait(20)


def program(name: str) -> str:
    found = shutil.which(name, path=SBIN)
    assert found is not None, f"{name} is missing: run ci/test, or install it"
    return found


@pytest.mark.slow
def test_chat_expects_and_sends_to_the_end(port: str) -> None:
    subprocess.run(["stty", "-F", port, "raw", "-echo", "115200"], check=True)  # noqa: S607 # any stty
    script = ["ABORT", "ERROR", "", "ATE0", "OK", "AT+CGMR", "TL4-1.4.2", "", "OK", "AT+CSQ", "+CSQ:"]
    with Path(port).open("r+b", buffering=0) as both:
        result = subprocess.run(
            [program("chat"), "-s", "-t", "5", *script],
            stdin=both,
            stdout=both,
            stderr=subprocess.PIPE,
            check=False,
            timeout=30,
        )

    assert result.returncode == 0, result.stderr


@pytest.mark.slow
def test_microcom_passes_a_dialogue_on(port: str) -> None:
    # -f: a run that was killed may have left a lock for a port of this name.
    terminal = pexpect.spawn(program("microcom"), ["-f", "-p", port, "-s", "115200"], timeout=10)
    try:
        terminal.expect("get to the prompt")
        terminal.send("AT+CGMM\r")
        # The terminal that microcom writes to turns each LF into CR LF.
        terminal.expect(r"TARN-L4[\r\n]+OK")
    finally:
        terminal.close(force=True)

    assert not terminal.isalive()


@pytest.mark.slow
def test_socat_passes_a_dialogue_on(port: str) -> None:
    command = [program("socat"), "-t", "1", "-", f"FILE:{port},raw,echo=0,b115200"]
    result = subprocess.run(command, input=b"AT+CGMR\r", capture_output=True, check=False, timeout=20)

    assert result.returncode == 0, result.stderr
    assert b"TL4-1.4.2\r\n\r\nOK\r\n" in result.stdout


@pytest.mark.slow
def test_gammu_identifies_the_module_and_its_card(port: str, tmp_path: Path) -> None:
    with serial.Serial(port, 115200, timeout=10) as both:
        both.write(b'AT+CPIN="1234"\r')
        assert both.read_until(b"OK\r\n").endswith(b"OK\r\n")
    settings = tmp_path / "gammurc"
    settings.write_text(f"[gammu]\ndevice = {port}\nconnection = at115200\n")
    time.sleep(2)  # the card verifies its PIN
    result = subprocess.run(
        [program("gammu"), "-c", settings, "identify"],
        check=False,
        capture_output=True,
        text=True,
        env={"LC_ALL": "C", "HOME": str(tmp_path)},
        timeout=40,
    )
    told = dict(line.split(": ", 1) for line in result.stdout.splitlines() if ": " in line)

    assert result.returncode == 0, result.stdout + result.stderr
    assert {name.strip(): value.strip() for name, value in told.items()} == {
        "Device": port,
        "Manufacturer": "Tarnworks",
        "Model": "unknown (TARN-L4)",  # unknown to gammu's list of makers
        "Firmware": "TL4-1.4.2",
        "IMEI": "001000000000017",
        "SIM IMSI": "001010123456789",
    }


@pytest.mark.slow
def test_stty_shows_what_a_serial_driver_starts_with_and_what_was_set(tmp_path: Path) -> None:
    run = tmp_path / "run"
    command = [str(WAKEBENCH), "simulate", "already-on", "--run-dir", str(run), "--for", "30"]
    process = subprocess.Popen(command, cwd=TOP, stdout=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 20
        while not (run / "ready.json").exists() and time.monotonic() < deadline:
            time.sleep(0.02)

        def stty(*settings: str) -> str:
            command = [program("stty"), "-F", str(run / "dev" / "uart"), *settings]
            return subprocess.run(command, check=True, capture_output=True, text=True).stdout

        fresh = stty("-a")
        stty("57600", "raw", "-echo", "crtscts")
        later = stty("-a")
    finally:
        process.terminate()
        process.wait(20)

    assert fresh.startswith("speed 9600 baud")
    assert {"icanon", "echo", "-crtscts", "cs8", "-parenb"} <= set(fresh.replace(";", "").split())
    # The settings outlive each program, as those of a driver do.
    assert later.startswith("speed 57600 baud")
    assert {"-icanon", "-echo", "crtscts"} <= set(later.replace(";", "").split())


_HOLDS = """
set -eu
cd "$1"
exec 3<>dev/at
stty -F dev/at raw -echo 115200
before=$(readlink dev/at)
printf 'AT+CFUN=1,1\\r' >&3
while [ -e dev/at ]; do sleep 0.05; done
# The dead handle: the end of the file for whoever reads, error 5 for whoever writes.
if IFS= read -r -t 1 line <&3; then echo "read: $line"; else echo "read: nothing"; fi
{ printf 'AT\\r' >&3; } 2>&1 | sed 's/.*: //'
while [ ! -e dev/at ]; do sleep 0.05; done
exec 3>&-
"""


@pytest.mark.slow
def test_a_shell_that_holds_a_port_over_a_restart_sees_its_end_and_an_error(tmp_path: Path) -> None:
    run = tmp_path / "run"
    command = [
        str(WAKEBENCH),
        "simulate",
        "already-on",
        "--run-dir",
        str(run),
        "--pace",
        "x5",
        "--for",
        "100",
    ]
    process = subprocess.Popen(command, cwd=TOP, stdout=subprocess.DEVNULL)
    try:
        deadline = time.monotonic() + 20
        while not (run / "ready.json").exists() and time.monotonic() < deadline:
            time.sleep(0.02)
        result = subprocess.run(
            [program("bash"), "-c", _HOLDS, "holds", str(run)],
            check=False,
            capture_output=True,
            text=True,
            timeout=60,
        )
    finally:
        process.terminate()
        process.wait(20)
    events = [json.loads(line) for line in (run / "recording.jsonl").read_text().splitlines()[1:]]
    nodes = [event["node"] for event in events if event["lane"] == "port/at" and event["what"] == "appear"]

    assert result.stdout.splitlines() == ["read: nothing", "Input/output error"], result.stderr
    # The number was still held when the ports came back, so they came as others.
    assert nodes == ["ttyUSB3", "ttyUSB4"]


@pytest.mark.slow
def test_gammu_runs_at_virtual_pace_too(tmp_path: Path) -> None:
    settings = tmp_path / "gammurc"
    settings.write_text("[gammu]\ndevice = /dev/ttyUSB3\nconnection = at115200\n")
    with KeptScripts() as kept:
        command = ["gammu", "-c", str(settings), "identify"]
        result = kept.run(command, bench="already-on", folder=tmp_path)

    assert result.status == 0, result
    assert b"Firmware             : TL4-1.4.2" in result.stdout
    assert result.is_exact
    assert result.bench_s > 2  # it waits between its questions


@pytest.mark.slow
def test_gammu_reads_network_card_and_clock(tmp_path: Path) -> None:
    settings = tmp_path / "gammurc"
    settings.write_text("[gammu]\ndevice = /dev/ttyUSB3\nconnection = at115200\n")
    said = {}
    with KeptScripts() as kept:
        for question in ("networkinfo", "getsecuritystatus", "getdatetime"):
            result = kept.run(
                ["sh", "-c", f"sleep 60; exec gammu -c {settings} {question}"],
                bench="already-on",
                overrides={"card": {"pin_enabled": False}},
                folder=tmp_path,
            )
            assert result.status == 0, result
            said[question] = result.stdout.decode().splitlines()
    network = dict(line.split(":", 1) for line in said["networkinfo"])

    # What gammu makes of +CREG, +COPS and +CGATT; the names of 001/01 are its own.
    assert network["Network state        "] == " home network"
    assert network["Network              "] == " 001 01 (TEST, unknown), LAC 0B2C, CID 01A2B301"
    assert network["Name in phone        "] == ' "Ashbeck Test"'
    assert network["GPRS                 "] == " attached"
    assert said["getsecuritystatus"] == ["Nothing to enter."]
    assert said["getdatetime"][0].startswith("Phone time is Thu Jan 15 06:01:0")
