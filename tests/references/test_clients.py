"""Programs that are not ours hold a dialogue with `wakebench simulate`.

chat comes from Debian's ppp, microcom from Debian's microcom.  A program that is missing fails.
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
