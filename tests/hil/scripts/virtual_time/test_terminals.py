"""Modem lines, breaks and drains, which a pty does not have: programs meet the model's."""

from __future__ import annotations

from collections.abc import Callable

from hil.scripts.runner import ScriptRun

Run = Callable[..., ScriptRun]

LINES = """
import array, fcntl, os, termios, time
port = os.open("/dev/{}", os.O_RDWR | os.O_NOCTTY)
def ask(request, value=0):
    box = array.array("i", [value])
    fcntl.ioctl(port, request, box)
    return box[0]
time.sleep(1)
"""


def test_lines_are_read_set_and_cleared(run: Run) -> None:
    result = run(
        "python3",
        LINES.format("ttyUSB3")
        + """
print(hex(ask(termios.TIOCMGET)))
ask(termios.TIOCMBIC, termios.TIOCM_DTR | termios.TIOCM_RTS)
print(hex(ask(termios.TIOCMGET)))
ask(termios.TIOCMSET, termios.TIOCM_RTS)
print(hex(ask(termios.TIOCMGET)))
""",
    )
    lines = [event.more for event in result.recording.on("port/at", "lines")]

    # DTR 2, RTS 4, CTS 0x20, CAR 0x40, DSR 0x100 (linux/termios.h).
    assert result.stdout.split() == [b"0x126", b"0x120", b"0x124"]
    assert lines == [{"dtr": False, "rts": False}, {"dtr": False, "rts": True}]


def test_events_of_a_port_are_counted(run: Run) -> None:
    result = run(
        "python3",
        LINES.format("ttyUSB3")
        + """
import tty
tty.setraw(port)
def counts():
    box = array.array("i", [7] * 20)
    fcntl.ioctl(port, 0x545D, box)
    return list(box)
print(*counts())
os.write(port, b"ATE0\\r")
time.sleep(1)
os.write(port, b"AT&C0\\r")
time.sleep(1)
print(*counts())
""",
    )
    before, after = ([int(word) for word in line.split()] for line in result.stdout.splitlines())

    # cts, dsr, rng, dcd, rx, tx, then errors and what is reserved (linux/serial.h).
    # The module said something before the port was opened: its ring has ended since, which is the edge that
    # counts.  In: the echo of the first line, then two OK lines of 6 bytes; &C0 raises DCD.
    assert before == [0, 0, 1, 0, *[0] * 16]
    assert after == [0, 0, 1, 1, len("ATE0\r") + 2 * len("\r\nOK\r\n"), len("ATE0\rAT&C0\r"), *[0] * 14]


def test_a_break_lasts_a_quarter_of_a_second(run: Run) -> None:
    result = run("python3", LINES.format("ttyS1") + "termios.tcsendbreak(port, 0)")
    on, off = result.recording.on("port/uart", "break")

    assert off.t_ns - on.t_ns == 250_000_000
    assert result.bench_s == 1.25


def test_a_drain_waits_for_the_last_stop_bit(run: Run) -> None:
    result = run(
        "python3",
        LINES.format("ttyS1")
        + """
settings = termios.tcgetattr(port)
settings[1] = settings[3] = 0
settings[4] = settings[5] = termios.B115200
termios.tcsetattr(port, termios.TCSANOW, settings)
os.write(port, b"x" * 1000)
print(ask(termios.TIOCOUTQ) > 900)
termios.tcdrain(port)
print(round(time.monotonic() - 1001, 6), ask(termios.TIOCOUTQ))
""",
    )

    assert result.stdout.split() == [b"True", b"0.086806", b"0"]  # 1,000 characters of 10 bits


def test_a_wait_for_a_line_ends_when_the_module_moves_it(run: Run) -> None:
    result = run(
        "python3",
        LINES.format("ttyUSB3")
        + """
import threading
def later():
    time.sleep(2)
    os.write(port, b"AT&C0\\r")
threading.Thread(target=later).start()
fcntl.ioctl(port, 0x545C, termios.TIOCM_CAR)
print(round(time.monotonic() - 1001, 3))
""",
    )

    assert result.stdout.split() == [b"2.0"], result


def test_files_have_the_bench_s_times(run: Run) -> None:
    result = run(
        "sh",
        """
        echo old >/tmp/stamp
        sleep 700
        echo new >/tmp/fresh
        find /tmp -type f -mmin +10
        [ /tmp/fresh -nt /tmp/stamp ] && stat -c %Y /tmp/stamp /tmp/fresh
        """,
        limit_s=1000,
    )

    assert result.stdout.split() == [b"/tmp/stamp", b"1768456800", b"1768457500"]


def test_programs_that_claim_a_port_for_themselves_follow_each_other_at_one_instant(run: Run) -> None:
    program = "import os, fcntl, termios; fcntl.ioctl(os.open('/dev/ttyUSB3', os.O_RDWR), termios.TIOCEXCL)"
    result = run("sh", f'set -e; for i in 1 2 3; do python3 -c "{program}"; done')

    assert result.status == 0, result.stderr
