"""What a script sees of its host at real pace, beside lines and ports: the kernel's messages.

And what is said where a machine does not let it see all.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.scripts.runner import run_script

SCRIPT = """
dmesg | head -n 1
echo '<5>gauge: begun' >/dev/kmsg
echo 0 >/sys/bus/usb/devices/1-1/authorized
dmesg --notime --level=notice
dmesg --notime | grep -c 'now disconnected from ttyUSB'
dmesg | tail -n 1
cut -d ' ' -f 1 /proc/uptime
"""


def test_the_kernel_s_messages_are_the_host_s_with_the_machine_s_times(
    describe: Callable[..., Any], tmp_path: Path
) -> None:
    result = run_script(describe("already-on"), ["sh", "-c", SCRIPT], folder=tmp_path)
    booted, noticed, ports, last, uptime = result.stdout.decode().splitlines()
    stamp = float(last.strip("[").partition("]")[0])

    assert (booted, noticed, ports) == (
        "[    0.000000] Booting Linux on physical CPU 0x0",
        "gauge: begun",
        "4",
    )
    assert last.endswith("] usbserial_generic 1-1:1.3: device disconnected")
    assert float(uptime) - 10 < stamp < float(uptime) + 0.01


FOLLOW = """
dmesg --follow --notime >/tmp/followed & follower=$!
while ! grep -q converter /tmp/followed; do sleep 0.05; done
echo later >/dev/kmsg
while ! grep later /tmp/followed; do sleep 0.05; done
kill $follower; wait $follower; echo $?
"""


def test_who_follows_the_messages_gets_later_ones(describe: Callable[..., Any], tmp_path: Path) -> None:
    result = run_script(describe("already-on"), ["sh", "-c", FOLLOW], folder=tmp_path, limit_s=30)

    assert result.stdout == b"later\n143\n", result


# Runs a command under a filter that refuses calls by number, as a container's does.
REFUSING = """
import os, struct, sys
from hil.scripts.linux import kernel
program = [(0x20, 0, 0, 0)]
for number in sys.argv[1].split(","):
    program += [(0x15, 0, 1, int(number)), (0x06, 0, 0, 0x00050001)]
program.append((0x06, 0, 0, 0x7FFF0000))
kernel.install_filter(b"".join(struct.pack("=HBBI", *one) for one in program))
os.execv(sys.argv[2], sys.argv[2:])
"""
PTRACE, SECCOMP = "101", "317"


@pytest.mark.slow
@pytest.mark.skipif(os.uname().machine != "x86_64", reason="the numbers of calls are those of x86-64")
@pytest.mark.parametrize(
    ("refused", "listed", "notices"),
    [
        ([PTRACE], "/dev/gpiochip0\n", [r"processes may not be traced .*; the run was made at real pace"]),
        (
            [PTRACE, SECCOMP],
            "",
            [
                r"processes may not be traced .*; the run was made at real pace",
                r"there is no /dev/gpiochip0 in this run: calls cannot be held here .*",
            ],
        ),
    ],
    ids=["no tracing", "no tracing and no listening"],
)
def test_what_a_container_forbids_is_told_in_a_line_each(
    refused: list[str], listed: str, notices: list[str]
) -> None:
    wakebench = str(Path(sys.executable).with_name("wakebench"))
    command = [wakebench, "script", "gauge-station", "--", "sh", "-c", "ls /dev/gpiochip* 2>/dev/null; true"]
    result = subprocess.run(
        [sys.executable, "-c", REFUSING, ",".join(refused), *command],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
    )
    first, *others = result.stderr.splitlines()

    assert (result.returncode, result.stdout) == (0, listed), result.stderr
    assert "status 0 (as expected)" in first
    assert len(others) == len(notices), result.stderr
    for line, notice in zip(others, notices, strict=True):
        assert re.fullmatch(f"wakebench: {notice}", line), line
