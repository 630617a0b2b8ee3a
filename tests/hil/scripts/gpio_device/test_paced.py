"""The GPIO device at real pace: the real tools and Python's gpiod on the model's lines, in wall time.

A width is never shorter than it was asked for: the line changes before the program goes on, and its waiting
begins after that.  How much longer it is depends on the machine.
"""

from __future__ import annotations

import errno
import re
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.scripts import paced_stage
from hil.scripts.gpio_device import paced
from hil.scripts.gpio_device.held_calls import HeldCalls
from hil.scripts.linux.architecture import UnknownArchitectureError
from hil.scripts.runner import ScriptRun, run_script

Run = Callable[..., ScriptRun]

# Of a busy machine: how much longer than asked for a pulse may be.
LATE_NS = 2_000_000_000
SECOND_NS = 1_000_000_000
PROGRAMS = Path(__file__).parents[1] / "virtual_time" / "programs"


@pytest.fixture
def run(describe: Callable[..., Any], tmp_path: Path) -> Run:
    """Run a program's text at real pace: run("sh", "sleep 1"), with changes to a bench."""

    def run(
        interpreter: str,
        text: str,
        *arguments: str,
        bench: str = "gauge-station",
        changes: dict[str, Any] | None = None,
        **options: Any,  # noqa: ANN401 # of run_script
    ) -> ScriptRun:
        (tmp_path / "program").write_text(text)
        command = [interpreter, "program", *arguments]
        return run_script(describe(bench, **changes or {}), command, folder=tmp_path, limit_s=60, **options)

    return run


def is_about(width_ns: int, asked_s: float) -> bool:
    """Whether a pulse is as long as it should be."""
    return asked_s * SECOND_NS <= width_ns < asked_s * SECOND_NS + LATE_NS


def test_the_real_tools_press_wait_and_meet_busy_lines(
    describe: Callable[..., Any], tools: list[str]
) -> None:
    result = run_script(
        describe("upper-station"),
        ["sh", "lines.sh"],
        folder=PROGRAMS,
        environment=[*tools, "HELD_US=1000000"],
        limit_s=60,
    )
    [key] = result.recording.pulses("header/16", True)
    raced, *_, shortest, last = result.recording.pulses("header/18", True)

    assert (result.status, result.is_virtual, result.notices) == (0, False, ()), result
    assert is_about(key.width_ns, 0.5)
    assert is_about(raced.width_ns, 0.25)  # others may come after it where they are started late
    assert is_about(shortest.width_ns, 0.001)
    assert is_about(last.width_ns, 1)
    said = result.stdout.decode()
    assert "gpiochip0 [gpiochip0] (128 lines)\n129\n" in said
    [(edge, edge_ns)] = re.findall(r"^\S+ 86 (\d+)[.](\d+)$", said, re.MULTILINE)
    [pressed] = re.findall(r"^pressed until (\S+)$", said, re.MULTILINE)
    assert re.search(
        r"^status 1 at \S+\n(number \d had it\n)+and then: \S+\n"
        r"busy\nexport refused at \S+\nexport taken at \S+\n\Z",
        said,
        re.MULTILINE,
    ), said
    # The edge is stamped by the clock that the script reads.
    assert float(pressed) - 1 < int(edge) + int(edge_ns) / 1e9 < float(pressed) + 0.02


GPIOD = """
import errno, gpiod, time
from gpiod.line import Direction, Edge, Value

CHIP, KEY, STATUS = "/dev/gpiochip0", 84, 86
edges = gpiod.LineSettings(edge_detection=Edge.BOTH)
output = gpiod.LineSettings(direction=Direction.OUTPUT)
with (
    gpiod.Chip(CHIP) as chip,
    gpiod.request_lines(CHIP, consumer="status", config={STATUS: edges}) as status,
    gpiod.request_lines(CHIP, consumer="key", config={KEY: output}) as key,
):
    print(chip.get_info().label, chip.get_line_info(KEY).consumer)
    chip.watch_line_info(STATUS)
    print("at once:", status.wait_edge_events(0.1))
    pressed = time.monotonic_ns()
    key.set_value(KEY, Value.ACTIVE)
    time.sleep(0.5)
    key.set_value(KEY, Value.INACTIVE)
    print("then:", status.wait_edge_events(30))
    [event] = status.read_edge_events()
    print(event.event_type.name, 0.4e9 < event.timestamp_ns - pressed < time.monotonic_ns() - pressed)
    try:
        gpiod.request_lines(CHIP, config={KEY: None})
    except OSError as error:
        print(errno.errorcode[error.errno])
    status.reconfigure_lines({STATUS: gpiod.LineSettings(direction=Direction.INPUT)})
    print(chip.wait_info_event(30), chip.read_info_event().event_type.name)
"""


def test_the_real_python_gpiod_presses_waits_and_meets_a_busy_line(
    python: str, gpiod: list[str], describe: Callable[..., Any]
) -> None:
    folder = Path(gpiod[0].partition("=")[2])
    (folder / "lines.py").write_text(GPIOD)
    result = run_script(describe("upper-station"), [python, "lines.py"], folder=folder, environment=gpiod)
    [key] = result.recording.pulses("header/16", True)

    assert result.status == 0, result
    assert is_about(key.width_ns, 0.5)
    assert result.stdout.decode().splitlines() == [
        "gpiochip0 key",
        "at once: False",
        "then: True",
        "RISING_EDGE True",
        "EBUSY",
        "True LINE_CONFIG_CHANGED",
    ]


@pytest.mark.parametrize(("release", "level"), [("keep", 1), ("revert", 0)])
def test_a_released_line_does_what_the_host_is_said_to_do(
    run: Run, tools: list[str], release: str, level: int
) -> None:
    result = run(
        "sh",
        """
        gpioset --mode=time --usec=1000 gpiochip0 84=1 2>/dev/null ||
            gpioset --chip gpiochip0 --toggle 0 84=1
        """,
        changes={"host": {"release": release}},
        environment=tools,
    )
    [last] = result.recording.on("header/16", "level")[-1:]

    assert result.status == 0, result
    assert last.more["value"] == level


# Holds a line, and says so.
HOLD = """
import fcntl, os, struct, sys, time
flags, room = (int(word) for word in sys.argv[2:4])
request = bytearray(
    struct.pack("=64I32sQI260xII20xi", int(sys.argv[1]), *[0] * 63, b"mine", flags, 0, 1, room, -1)
)
fcntl.ioctl(os.open("/dev/gpiochip0", os.O_RDONLY), 0xC250B407, request)
lines = int.from_bytes(request[-4:], "little")
open("/tmp/held", "w").close()
"""


def test_a_line_is_free_once_its_last_holder_has_gone(run: Run) -> None:
    result = run(
        "sh",
        f"""
        free() {{ if gpioget gpiochip0 85 >/dev/null 2>&1; then echo free; else echo held; fi; }}
        cat >/tmp/hold.py <<'END'{HOLD}
if os.fork():  # a child alone holds it from here on
    os._exit(0)
time.sleep(60)
END
        python3 /tmp/hold.py 85 8 0
        free
        kill -9 $(pgrep -f hold.py)
        while pgrep -f hold.py >/dev/null; do sleep 0.01; done
        free
        """,
    )

    assert result.stdout.decode().split() == ["held", "free"], result


def test_edges_that_nobody_reads_are_kept_up_to_a_number_and_then_the_oldest_go(run: Run) -> None:
    cycle = """
for name, text in (("export", "84"), ("gpio84/direction", "low")):
    open(f"/sys/class/gpio/{name}", "w").write(text)
poll = select.poll()
poll.register(lines, select.POLLIN)
for press in (0.05, 0.2):  # of a bench that runs twenty times as fast: the module starts, and stops
    open("/sys/class/gpio/gpio84/value", "w").write("1")
    time.sleep(press)
    open("/sys/class/gpio/gpio84/value", "w").write("0")
    time.sleep(0.5)
print(struct.unpack("=QIIII24x", os.read(lines, 48))[1:])
print(poll.poll(0) and os.read(lines, 48))
"""
    result = run(
        "python3",
        "import select" + HOLD + cycle,
        *("86", str(4 | 16 | 32), "1"),
        bench="upper-station",
        factor=20.0,
    )

    assert result.stdout.decode().splitlines() == ["(2, 86, 2, 2)", "[]"], result


def test_where_the_device_cannot_be_answered_for_it_is_not_there_and_one_line_says_why(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(paced_stage, "why_not", lambda: "calls cannot be held here")
    result = run("sh", "ls /dev/gpiochip0 2>/dev/null || ls /sys/class/gpio | head -n 1")

    assert result.stdout == b"export\n"
    assert result.notices == ("there is no /dev/gpiochip0 in this run: calls cannot be held here",)


class Refusing:
    """What stands in for HeldCalls on a machine that lacks something."""

    def __init__(self, *, can_give: bool) -> None:
        self.can_give = lambda: can_give

    def start(self, arguments: list[str], **options: Any) -> Any:  # noqa: ANN401 # as Popen
        """A program that has ended by now, whose memory nobody reaches."""
        with subprocess.Popen(arguments, **options) as program:
            pass
        return program

    def close(self) -> None:
        """Nothing is held."""


@pytest.mark.parametrize(
    ("missing", "said"),
    [
        (UnknownArchitectureError("found riscv64"), "architecture is not known (found riscv64)"),
        (OSError(errno.EBUSY, "Device or resource busy"), "cannot be held here (Device or resource busy)"),
        (Refusing(can_give=False), "cannot be given descriptors here: that takes Linux 5.9"),
        (Refusing(can_give=True), "memory of programs cannot be reached here"),
    ],
)
def test_what_the_machine_lacks_is_named(
    monkeypatch: pytest.MonkeyPatch, missing: Exception | Refusing, said: str
) -> None:
    def hold() -> Refusing:
        if isinstance(missing, Exception):
            raise missing
        return missing

    monkeypatch.setattr(paced, "hold_line_calls", hold)

    assert said in (paced.why_not.__wrapped__() or "")


CHIP_INFO = "import fcntl; fcntl.ioctl(open('/dev/null'), 0x8044B401, bytes(68))"


def test_a_call_whose_program_is_killed_is_not_answered() -> None:
    held: HeldCalls = paced.hold_line_calls()
    try:
        program = held.start(["python3", "-c", CHIP_INFO])
        call = None
        while call is None:
            call = held.receive()
        assert held.is_there(call.number)
        assert call.arguments[1] == 0x8044B401
        program.kill()
        program.wait()

        assert not held.is_there(call.number)
        assert not held.answer(call.number, 0)
        assert held.receive() is None
    finally:
        held.close()
