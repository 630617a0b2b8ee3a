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


PTYS = """
import os, pty, select, termios, threading, time
def made(least, tenths):
    master, slave = pty.openpty()
    settings = termios.tcgetattr(slave)
    settings[3] &= ~(termios.ICANON | termios.ECHO)
    settings[6][termios.VMIN], settings[6][termios.VTIME] = least, tenths
    termios.tcsetattr(slave, termios.TCSANOW, settings)
    return master, slave
def later(*writes):
    def write():
        for wait_s, text in writes:
            time.sleep(wait_s)
            os.write(master, text)
    thread = threading.Thread(target=write)
    thread.start()
    return thread
def read(size=99):
    began = time.monotonic()
    print(os.read(slave, size), round(time.monotonic() - began, 6))
"""


def test_a_terminal_s_time_between_characters_runs_from_the_first_on(run: Run) -> None:
    result = run(
        "python3",
        PTYS
        + """
master, slave = made(5, 5)
print(termios.tcgetattr(slave)[6][termios.VMIN:termios.VMIN + 1], termios.tcgetattr(slave)[6][termios.VTIME])
thread = later(*[(0.1, b"a")] * 5)  # all that is wanted
read(); thread.join()
thread = later((3, b"bc"), (0.4, b"d"), (0.6, b"e"))  # late, and then too late
read(); thread.join(); read()
os.write(master, b"f")  # before the read
read()
os.write(master, b"gh")
read(2)
thread = later((1, b"i"))
select.select([slave], [], [])  # one is enough for that
print(os.get_blocking(slave)); read(); thread.join()
""",
    )

    assert result.is_exact
    assert result.stdout.decode().splitlines() == [
        "[5] 5",
        "b'aaaaa' 0.5",
        "b'bcd' 3.9",
        "b'e' 0.5",
        "b'f' 0.5",
        "b'gh' 0.0",
        "True",
        "b'i' 0.5",
    ], result


def test_whoever_waits_for_a_first_character_for_ever_is_named(run: Run) -> None:
    result = run("python3", PTYS + "master, slave = made(5, 5)\nread()")

    assert result.status is None
    assert result.bench_s == 0.5


def test_a_new_terminal_has_no_time_out_of_a_former_one(run: Run) -> None:
    result = run(
        "python3",
        PTYS
        + """
master, slave = made(0, 10)
read()
name = os.ttyname(slave)
os.close(master); os.close(slave)
master, slave = pty.openpty()
print(os.ttyname(slave) == name, termios.tcgetattr(slave)[6][termios.VTIME])
thread = later((3, b"line\\n"))
read(); thread.join()
""",
    )

    assert result.stdout.decode().splitlines() == ["b'' 1.0", "True b'\\x00'", "b'line\\n' 3.0"], result


def test_a_port_that_comes_again_has_no_time_out_of_its_former_life(run: Run) -> None:
    result = run(
        "sh",
        """
        port=/dev/ttyUSB3 bus=/sys/bus/usb/drivers/usbserial_generic
        stty -F $port raw -echo min 0 time 10
        echo 1-1:1.3 >$bus/unbind
        echo 1-1:1.3 >$bus/bind
        while [ ! -e $port ]; do sleep 1; done
        stty -F $port -a | grep -ow -e '-\\?icanon' -e 'time = [0-9]*'
        timeout 5 dd if=$port bs=64 count=1; echo $?
        """,
    )

    assert result.stdout.decode().splitlines() == ["time = 0", "icanon", "124"], result


def test_a_wait_for_a_line_that_nobody_moves_is_a_hang(run: Run) -> None:
    result = run("python3", LINES.format("ttyUSB3") + "fcntl.ioctl(port, 0x545C, termios.TIOCM_RNG)")

    assert result.status is None
    assert result.hung is not None
    assert "in ioctl on descriptor" in result.hung
    assert result.bench_s < 60


def test_a_wait_for_a_line_ends_with_the_port(run: Run) -> None:
    result = run(
        "python3",
        LINES.format("ttyUSB3")
        + """
import errno, threading
def unbind():
    with open("/sys/bus/usb/drivers/usbserial_generic/unbind", "w") as file:
        file.write("1-1:1.3")
threading.Timer(2, unbind).start()
try:
    print(fcntl.ioctl(port, 0x545C, termios.TIOCM_RNG))
except OSError as error:
    print(errno.errorcode[error.errno], round(time.monotonic() - 1001, 3))
""",
    )

    assert result.stdout.split() == [b"EIO", b"2.0"], result


def test_settings_wait_for_the_last_stop_bit_where_they_should(run: Run) -> None:
    result = run(
        "python3",
        LINES.format("ttyS1")
        + """
import signal
settings = termios.tcgetattr(port)
settings[1] = settings[3] = 0
def set(when, speed):
    settings[4] = settings[5] = speed
    began = time.monotonic()
    termios.tcsetattr(port, when, settings)
    print(round(time.monotonic() - began, 6), termios.tcgetattr(port)[4] == speed, ask(termios.TIOCOUTQ))
set(termios.TCSADRAIN, termios.B1200)
os.write(port, b"x" * 120)
set(termios.TCSADRAIN, termios.B2400)
os.write(port, b"x" * 120)
set(termios.TCSAFLUSH, termios.B1200)
os.write(port, b"x" * 120)
set(termios.TCSANOW, termios.B1200)
signal.signal(signal.SIGALRM, lambda *_: print("rang"))
signal.setitimer(signal.ITIMER_REAL, 0.25)
try:
    set(termios.TCSADRAIN, termios.B2400)
except termios.error as error:
    print(error.args[0], termios.tcgetattr(port)[4] == termios.B1200)
""",
    )

    # 120 characters of 10 bits: a second at 1200 bit/s; 4 is EINTR.
    *settings, rang, interrupted = result.stdout.decode().splitlines()
    assert settings == ["0.0 True 0", "1.0 True 0", "0.5 True 0", "0.0 True 120"], result
    assert (rang, interrupted) == ("rang", "4 True")


def test_a_bad_address_is_a_fault(run: Run) -> None:
    result = run(
        "python3",
        LINES.format("ttyUSB3")
        + """
import ctypes, errno
libc = ctypes.CDLL(None, use_errno=True)
for request in (termios.TIOCMGET, termios.TIOCMBIS, termios.TIOCMSET, 0x545D):
    print(libc.ioctl(port, request, ctypes.c_void_p(8)), errno.errorcode[ctypes.get_errno()])
print(hex(ask(termios.TIOCMGET)))
""",
    )

    assert result.stdout.decode().splitlines() == [*["-1 EFAULT"] * 4, "0x126"], result
