"""What a script sees of its host at real pace, beside lines and ports: the kernel's messages."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

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
