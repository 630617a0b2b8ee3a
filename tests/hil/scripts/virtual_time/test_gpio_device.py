"""The real tools of libgpiod and the real Python gpiod on the model's lines.

Errors are those of gpiolib-cdev.c, from memory: no kernel with real lines was at hand.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.scripts.kept import KeptScripts
from hil.scripts.runner import ScriptRun, run_script

Run = Callable[..., ScriptRun]

PROGRAMS = Path(__file__).parent / "programs"


@pytest.fixture
def program(kept: KeptScripts, gpiod: list[str]) -> Run:
    """Run one of the programs with gpiod at hand: program("sh", "lines.sh")."""

    def program(interpreter: str, name: str, *, bench: str = "upper-station", **options: Any) -> ScriptRun:  # noqa: ANN401 # of KeptScripts.run
        folder = Path(gpiod[0].partition("=")[2])
        command = [interpreter, str(PROGRAMS / name)]
        options = {"environment": gpiod, **options}
        return kept.run(command, bench=bench, folder=folder, limit_s=120, **options)

    return program


def test_the_real_tools_press_wait_and_meet_busy_lines(program: Run, tools: list[str]) -> None:
    result = program("sh", "lines.sh", environment=tools)
    [key] = result.recording.pulses("header/16", True)
    [status] = result.recording.on("header/22", "level")[-1:]
    radio = [pulse.width_ns for pulse in result.recording.pulses("header/18", True)]

    assert result.status == 0, result
    assert (key.start_ns, key.width_ns) == (100_000_000, 500_000_000)
    assert radio == [250_000_000, 1_000_000, 300_000_000]
    said = result.stdout.decode().splitlines()
    assert said[:2] == ["gpiochip0 [gpiochip0] (128 lines)", "129"]  # a line for each, and one for the chip
    # The tool tells the kind, the line, and the instant, which is the one on the recording.
    assert said[2].split()[1:] == ["86", f"{1000 + status.t_ns / 1e9:.9f}"]
    assert said[3:] == [
        "pressed until 1000.60",
        "status 1 at 1000.60",
        "number 1 had it",
        "and then: 1000.85",
        "busy",
        "export refused at 1000.95",
        "export taken at 1001.15",
    ]


def test_the_real_python_gpiod_presses_waits_and_hears_of_lines(program: Run, python: str) -> None:
    result = program(python, "lines.py")
    start, stop = result.recording.pulses("header/16", True)
    falls = [event.t_ns for event in result.recording.on("header/22", "level") if event.more["value"] == 0]

    assert result.status == 0, result
    assert (start.width_ns, stop.width_ns) == (500_000_000, 3_500_000_000)
    *said, stopped, last = result.stdout.decode().splitlines()
    assert said == [
        "0.000000 gpiochip0 128 86",
        "0.000000 ['/dev/gpiochip0']",
        "0.500000 within 30 s: True",
        "0.500000 RISING_EDGE 86 0.5 1",
        "3.000000 within 2.5 s: False",
        "3.000000 OSError: [Errno 16] Device or resource busy",
        "3.000000 an input: EPERM",
        "3.250000 pulled: INACTIVE",
        "3.250000 LINE_REQUESTED 3.0 radio",
        "3.250000 LINE_CONFIG_CHANGED 3.25 radio",
        "3.250000 LINE_RELEASED 3.25 None",
    ]
    assert stopped == f"{falls[-1] / 1e9:.6f} stopped 0.000000 s ago"
    assert last == f"{falls[-1] / 1e9 + 0.9:.6f} nothing more"


# The kernel's words are those of gpiolib-cdev.c, from memory.
WRONG_USES = {
    "another device": "ENOTTY",
    "a closed descriptor": "EBADF",
    "no address": "EFAULT",
    "a call that nobody knows": "EINVAL",
    "a line's call on the chip": "EINVAL",
    "info: no such line": "EINVAL",
    "info: padding": "EINVAL",
    "info 1: no such line": "EINVAL",
    "request: no lines": "EINVAL",
    "request: too many lines": "EINVAL",
    "request: no such line": "EINVAL",
    "request: one line twice": "EBUSY",
    "request: a line of the kernel's": "EBUSY",
    "request: padding": "EINVAL",
    "request: too many attributes": "EINVAL",
    "request: input and output": "EINVAL",
    "request: edges of an output": "EINVAL",
    "request: two drives": "EINVAL",
    "request: the drive of an input": "EINVAL",
    "request: two pulls": "EINVAL",
    "request: a pull without direction": "EINVAL",
    "request: a flag that nobody knows": "EINVAL",
    "request: a clock that is not there": "ENOTSUP",  # as Python calls EOPNOTSUPP
    "request: no address": "EFAULT",
    "request: held": "EBUSY",
    "handle: held": "EBUSY",
    "event: held": "EBUSY",
    "set: an input": "EPERM",
    "set: no line": "EINVAL",
    "get: no line": "EINVAL",
    "get: no address": "EFAULT",
    "a call of the first version": "EINVAL",
    "configure: input and output": "EINVAL",
    "handle: no lines": "EINVAL",
    "handle: no such line": "EINVAL",
    "handle: a flag that nobody knows": "EINVAL",
    "handle: input and output": "EINVAL",
    "handle: set an input": "EPERM",
    "handle: configure without direction": "EINVAL",
    "handle: a call of the second version": "EINVAL",
    "event: of an output": "EINVAL",
    "event: an edge that nobody knows": "EINVAL",
    "event: set": "EINVAL",
    "watch: twice": "EBUSY",
    "watch: no such line": "EINVAL",
    "watch: in the other version": "EPERM",
    "unwatch: not watched": "EBUSY",
    "unwatch: no such line": "EINVAL",
    "news: none yet": "EAGAIN",
    "request: no descriptor left": "EMFILE",
    "and then it is free": "no error",
}


@pytest.mark.parametrize("is_virtual", [True, False], ids=["virtual", "real"])
def test_wrong_uses_get_the_kernel_s_errors_at_either_pace(
    program: Run, describe: Callable[..., Any], is_virtual: bool
) -> None:
    lines = {
        "16": {"offset": 84},
        "18": {"offset": 85},
        "22": {"offset": 99, "used_by": "status-led"},
    }
    if is_virtual:
        result = program("python3", "wrong_uses.py", overrides={"host": {"lines": lines}})
    else:
        bench = describe("upper-station", host={"lines": lines})
        result = run_script(bench, ["python3", "wrong_uses.py"], folder=PROGRAMS)
    said = dict(line.rsplit(": ", 1) for line in result.stdout.decode().splitlines())

    assert (result.status, result.is_virtual) == (0, is_virtual), result
    assert said == WRONG_USES
    assert len(said) > 50
    assert {event.more["by"] for event in result.recording.on("header/16", "level")} == {"host"}


@pytest.mark.parametrize(("release", "level"), [("keep", 1), ("revert", 0)])
def test_a_released_line_does_what_the_host_is_said_to_do(
    run: Run, tools: list[str], release: str, level: int
) -> None:
    result = run(
        "sh",
        """
        gpioset --mode=time --usec=100000 gpiochip0 84=1 2>/dev/null ||
            gpioset --chip gpiochip0 --toggle 0 84=1
        sleep 1
        """,
        bench="gauge-station",
        overrides={"host": {"release": release}},
        environment=tools,
    )
    [last] = result.recording.on("header/16", "level")[-1:]

    assert result.status == 0, result
    assert last.more["value"] == level


HOLD = """
import fcntl, os, struct, sys, time
chip = os.open("/dev/gpiochip0", os.O_RDONLY)
flags, room = (int(word) for word in sys.argv[2:4])
request = bytearray(
    struct.pack("=64I32sQI260xII20xi", int(sys.argv[1]), *[0] * 63, b"mine", flags, 0, 1, room, -1)
)
fcntl.ioctl(chip, 0xC250B407, request)
lines = int.from_bytes(request[-4:], "little")
"""


def test_a_line_is_free_at_the_instant_at_which_its_last_holder_goes(run: Run) -> None:
    result = run(
        "sh",
        f"""
        free() {{ if gpioget gpiochip0 85 >/dev/null 2>&1; then echo free; else echo held; fi; }}
        cat >/tmp/hold.py <<'END'{HOLD}
if len(sys.argv) > 4 and os.fork():  # a child alone holds it then
    os._exit(0)
time.sleep(1)
END
        python3 /tmp/hold.py 85 8 0 & holder=$!
        sleep 0.5; free; kill -9 $holder; free
        python3 /tmp/hold.py 85 8 0 child; free; sleep 0.9; free; sleep 0.1; free
        python3 /tmp/hold.py 85 8 0 & wait; free
        """,
        bench="gauge-station",
    )

    assert result.stdout.decode().split() == ["held", "free", "held", "held", "free", "free"], result


# The module is started and stopped again and again: its status output has two edges each time.
CYCLES = """
for name, text in (("export", "84"), ("gpio84/direction", "low")):
    open(f"/sys/class/gpio/{name}", "w").write(text)
for cycle in range(10):
    for press in (0.5, 3.5):
        open("/sys/class/gpio/gpio84/value", "w").write("1")
        time.sleep(press)
        open("/sys/class/gpio/gpio84/value", "w").write("0")
        time.sleep(12)
events = os.read(lines, 64 * 48)
print(len(events) / 48, [struct.unpack_from("=QIIII", events, at)[3] for at in (0, len(events) - 48)])
os.set_blocking(lines, False)
try:
    os.read(lines, 48)
except BlockingIOError:
    print("no more")
"""


@pytest.mark.parametrize(("room", "left"), [(0, 16), (5, 5), (100, 20)])
def test_edges_that_nobody_reads_are_kept_up_to_a_number_and_then_the_oldest_go(
    run: Run, room: int, left: int
) -> None:
    result = run("python3", HOLD + CYCLES, "86", str(4 | 16 | 32), str(room), bench="upper-station")

    assert result.stdout.decode() == f"{left}.0 [{20 - left + 1}, 20]\nno more\n", result


# Caught signals, real-time ones too, and stops, while lines are requested, watched and set.
STORM = """
import os, signal, sys, time
import gpiod
from gpiod.line import Direction, Value

for number in (signal.SIGUSR1, signal.SIGRTMIN):
    signal.signal(number, lambda *_: None)
script, storm = os.getpid(), os.fork()
if storm == 0:
    count = 0
    while True:
        count += 1
        os.kill(script, (signal.SIGUSR1, signal.SIGRTMIN)[count % 2])
        if count % 7 == 0:
            os.kill(script, signal.SIGSTOP)
            os.kill(script, signal.SIGCONT)
        for _ in range(count * 7919 % 600000):
            pass
bad, before = 0, len(os.listdir("/proc/self/fd"))
for number in range(12):
    with gpiod.Chip("/dev/gpiochip0") as chip:
        chip.watch_line_info(84)
        settings = gpiod.LineSettings(direction=Direction.OUTPUT, output_value=Value(number & 1))
        with chip.request_lines(config={84: settings}) as lines:
            bad += lines.get_value(84) is not Value(number & 1)
        news = 0
        while chip.wait_info_event(0):
            chip.read_info_event()
            news += 1
        bad += news != 2
os.kill(storm, signal.SIGKILL)
print("bad", bad, "leaked", len(os.listdir("/proc/self/fd")) - before)
"""


@pytest.mark.slow
def test_signals_and_stops_do_no_harm_to_calls_that_a_program_does_not_know_of(
    run: Run, python: str, gpiod: list[str], tmp_path: Path
) -> None:
    shutil.copytree(Path(gpiod[0].partition("=")[2]) / "gpiod", tmp_path / "gpiod")
    # Somebody computes all the time, so the run is not exact.
    result = run(python, STORM, bench="gauge-station", strict=False, limit_s=60)

    assert result.stdout == b"bad 0 leaked 0\n", result


def test_a_program_that_waits_for_an_edge_for_ever_is_told_of_by_its_lines(run: Run) -> None:
    result = run("python3", HOLD + "os.read(lines, 48)", "85", str(4 | 16), "0", bench="gauge-station")

    assert result.hung is not None
    assert "in read on descriptor 4 (line 85 of gpiochip0)" in result.hung


@pytest.mark.parametrize(
    ("bench", "status", "presses"), [("gauge-station", 0, 1), ("already-on", 3, 0), ("dead-module", 2, 1)]
)
def test_the_demo_script_presses_only_what_is_off(
    kept: KeptScripts, tools: list[str], bench: str, status: int, presses: int
) -> None:
    script = Path(__file__).parents[4] / "suites" / "scripts" / "press_key.sh"
    result = kept.run(["sh", str(script)], bench=bench, folder=Path("/usr"), environment=tools)

    assert result.status == status, result
    widths = [pulse.width_ns for pulse in result.recording.pulses("header/16", True)]
    assert widths == [900_000_000] * presses
