"""What programs see of time: every wait lasts exactly as long as it says, and ends as the kernel ends it."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.errors import BenchUndecidedError
from hil.scripts.runner import ScriptRun

Run = Callable[..., ScriptRun]


def said(result: ScriptRun) -> list[str]:
    assert result.status == 0, result
    return result.stdout.decode().splitlines()


# A sleep that is stopped meanwhile: it ends when it is due, or when it is continued after that.
STOPPED = "sleep {} & p=$!; sleep 1; kill -STOP $p; sleep {}; kill -CONT $p; wait; date +%s"
# A sleep whose parent has gone: who waits for it then is the sandbox's.
ORPHAN = "p=$(sleep 1 >/dev/null & echo $!); while kill -0 $p 2>/dev/null; do sleep 0.01; done; date +%s.%N"

SHELL = [
    # Program, what it says, and how long it takes.
    ("sleep 0.5", [], 0.5),
    ("timeout 5 sleep 60; echo $?", ["124"], 5.0),
    ("date +%s; sleep 86400; date +%s", ["1768456800", "1768543200"], 86400.0),
    ("sleep 3 & sleep 1; wait; date +%s.%N", ["1768456803.000000000"], 3.0),
    ("(sleep 1; echo a) & (sleep 0.5; echo b) & wait", ["b", "a"], 1.0),
    (
        "for i in 1 2 3; do echo $i; sleep 0.25; done | while read x; do echo got $x; done",
        ["got 1", "got 2", "got 3"],
        0.75,
    ),
    ("cat /proc/uptime; sleep 2.5; cat /proc/uptime", ["1000.00 1000.00", "1002.50 1002.50"], 2.5),
    ("date -s '2030-01-01 00:00:00 UTC' >/dev/null; sleep 1; date +%s", ["1893456001"], 1.0),
    ("timeout -k 2 3 sh -c 'trap \"\" TERM; while :; do sleep 1; done'; echo $?", ["137"], 5.0),
    (ORPHAN, ["1768456801.000000000"], 1.0),
    (STOPPED.format(10, 20), ["1768456821"], 21.0),
    (STOPPED.format(30, 3), ["1768456830"], 30.0),
]


@pytest.mark.parametrize(("program", "lines", "seconds"), SHELL, ids=[row[0][:30] for row in SHELL])
def test_shell_scripts(run: Run, program: str, lines: list[str], seconds: float) -> None:
    result = run("sh", program, limit_s=100_000)

    assert said(result) == lines
    assert (result.bench_s, result.is_exact, result.hung) == (seconds, True, None)


COPROCESS = """
coproc C { while read l; do sleep 1; echo r:$l; done; }; echo a >&${C[1]}
read -t 5 x <&${C[0]}; echo $x $SECONDS; read -t 0.5 x <&${C[0]}; echo $?; kill $C_PID
"""

BASH = [
    ("read -t 3 x </dev/ttyUSB3; echo $? $SECONDS", ["142 3"], 3.0),
    ("set -m; (sleep 5; echo done) & wait; echo $SECONDS", ["done", "5"], 5.0),
    (COPROCESS, ["r:a 1", "142"], 1.5),
    ("printf '%(%s)T\\n' -1; sleep 1; printf '%(%s)T\\n' -1", ["1768456800", "1768456801"], 1.0),
]


@pytest.mark.parametrize(("program", "lines", "seconds"), BASH, ids=[row[0][:30] for row in BASH])
def test_bash_scripts(run: Run, program: str, lines: list[str], seconds: float) -> None:
    result = run("bash", program)

    assert said(result) == lines
    assert result.bench_s == pytest.approx(seconds, abs=1e-9)


INTERVALS = """
signal.signal(signal.SIGALRM, lambda *_: say()); signal.setitimer(signal.ITIMER_REAL, 0.5, 0.25)
time.sleep(1.1); print(signal.getitimer(signal.ITIMER_REAL))
"""

SOCKET_LIMITS = """
import struct
a, b = socket.socketpair()
a.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("qq", 2, 500000))
import ctypes, errno
libc = ctypes.CDLL(None, use_errno=True)
ways = [lambda: a.recv(1), lambda: os.readv(a.fileno(), [bytearray(1)])]
for way in ways:
    try: way()
    except BlockingIOError: say()
header = (ctypes.c_char * 64)()
print(libc.recvmmsg(a.fileno(), header, 1, 0, None), ctypes.get_errno() == errno.EAGAIN); say()
b.send(b"x"); print(a.recv(1))
a.setsockopt(socket.SOL_SOCKET, socket.SO_SNDTIMEO, struct.pack("qq", 1, 0))
try:
    while True: a.send(bytes(1000))
except BlockingIOError: say()
"""

SHOWN_LIMITS = """
import struct
a, b = socket.socketpair()
def shown(end, option): return struct.unpack("qq", end.getsockopt(socket.SOL_SOCKET, option, 16))
a.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, struct.pack("qq", 2, 500000))
print(shown(a, socket.SO_RCVTIMEO), shown(a, socket.SO_SNDTIMEO), shown(b, socket.SO_RCVTIMEO))
print(len(a.getsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, 8)))
a.setsockopt(socket.SOL_SOCKET, socket.SO_RCVTIMEO, bytes(16)); print(shown(a, socket.SO_RCVTIMEO))
"""

TIMER_OF_A_THREAD = """
import ctypes, struct
libc = ctypes.CDLL(None, use_errno=True); number = ctypes.c_void_p()
signal.signal(signal.SIGUSR1, lambda *_: say())
event = struct.pack("=Qiii", 0, signal.SIGUSR1, 4, threading.get_native_id()).ljust(64, bytes(1))
print(libc.timer_create(1, event, ctypes.byref(number)))
libc.timer_settime(number, 0, struct.pack("=qqqq", 0, 500000000, 0, 250000000), None)
time.sleep(1); time.sleep(0.2)
"""

REFUSED = """
import ctypes, errno, struct
libc = ctypes.CDLL(None, use_errno=True)
def tell(result): print(errno.errorcode[ctypes.get_errno()] if result else 0)
bad, minus = struct.pack("=qq", 0, 2_000_000_000), struct.pack("=qq", -500, 0)
for _ in range(20): time.monotonic()
for call in ((35, bad, 0), (35, minus, 0), (35, ctypes.c_void_p((1 << 64) - 1), 0), (228, 10, bytes(16)),
             (230, 4, 0, bytes(16), 0), (318, bytes(16), 16, 0xFF), (287, 77, bytes(32)),
             (287, os.pipe()[0], bytes(32))):
    tell(libc.syscall(*call))
try: time.clock_settime(0, 9000000000)
except OSError as error: print(errno.errorcode[error.errno])
say()
"""

PYTHON = [
    (TIMER_OF_A_THREAD, ["0", "0.25", "0.75"]),
    (
        "signal.alarm(10); time.sleep(1.6); print(signal.alarm(1)); time.sleep(0.9); print(signal.alarm(0))",
        ["8", "1"],
    ),
    ("time.sleep(1.25); say()", ["1.25"]),
    ("select.select([], [], [], 2); say()", ["2.0"]),
    ("r, w = os.pipe(); print(select.select([r], [], [], 0.5)); say()", ["([], [], [])", "0.5"]),
    ("r, w = os.pipe(); p = select.poll(); p.register(r); print(p.poll(1500)); say()", ["[]", "1.5"]),
    ("r, w = os.pipe(); e = select.epoll(); e.register(r); print(e.poll(0.75)); say()", ["[]", "0.75"]),
    ("print(threading.Event().wait(3)); say()", ["False", "3.0"]),
    ("threading.Timer(1, lambda: say()).start(); threading.Event().wait(2); say()", ["1.0", "2.0"]),
    ("print(queue_get(0.25)); say()", ["Empty", "0.25"]),
    ("subprocess.run(['sleep', '4']); say()", ["4.0"]),
    ("try: subprocess.run(['sleep', '9'], timeout=2)\nexcept subprocess.TimeoutExpired: say()", ["2.0"]),
    ("asyncio.run(asyncio.sleep(1.5)); say()", ["1.5"]),
    (
        "signal.signal(signal.SIGALRM, lambda *_: say()); signal.alarm(3); time.sleep(5); say()",
        ["3.0", "5.0"],
    ),
    (INTERVALS, ["0.5", "0.75", "1.0", "(0.15, 0.25)"]),
    (
        "signal.pthread_sigmask(signal.SIG_BLOCK, [10]); print(signal.sigtimedwait([10], 1.5)); say()",
        ["None", "1.5"],
    ),
    ("print(time.time(), time.monotonic(), time.clock_gettime(7))", ["1768456800.0 1000.0 1000.0"]),
    ("time.sleep(0); say(); print(time.get_clock_info('monotonic').adjustable)", ["0.0", "False"]),
    ("t = os.times()[4]; time.sleep(2); print(os.times()[4] - t)", ["2.0"]),
    ("a, b = socket.socketpair(); b.settimeout(0.4)\ntry: b.recv(1)\nexcept TimeoutError: say()", ["0.4"]),
    (SOCKET_LIMITS, ["2.5", "5.0", "-1 True", "7.5", "b'x'", "8.5"]),
    (SHOWN_LIMITS, ["(2, 500000) (0, 0) (0, 0)", "8", "(0, 0)"]),
    ("print(len(os.getrandom(16)), random.random() == random.Random().random())", ["16 False"]),
]

PRELUDE = """
import asyncio, os, queue, random, select, signal, socket, subprocess, sys, threading, time
began = time.monotonic()
def say(): print(round(time.monotonic() - began, 6), flush=True)
def queue_get(seconds):
    try: return queue.Queue().get(timeout=seconds)
    except queue.Empty: return "Empty"
"""


@pytest.mark.parametrize(("program", "lines"), PYTHON, ids=[row[0][:40] for row in PYTHON])
def test_python_programs(run: Run, program: str, lines: list[str]) -> None:
    result = run("python3", PRELUDE + program)

    assert said(result) == lines
    assert result.is_exact
    assert result.wall_s < 60


def test_a_press_has_exactly_the_width_that_the_script_slept(run: Run) -> None:
    result = run(
        "sh",
        """
        cd /sys/class/gpio; echo 84 >export; echo out >gpio84/direction
        echo 1 >gpio84/value; sleep 0.5; echo 0 >gpio84/value
        """,
        bench="gauge-station",
    )
    pulses = result.recording.pulses("header/16", True)

    assert [pulse.width_ns for pulse in pulses] == [500_000_000]


def test_a_dialogue_with_the_modem_takes_no_time_of_its_own(run: Run) -> None:
    result = run(
        "bash",
        """
        stty -F /dev/ttyUSB3 raw -echo; exec 3<>/dev/ttyUSB3
        printf 'ATE0\\r' >&3; read -r -t 5 a <&3; read -r -t 5 a <&3
        printf 'AT+CGMR\\r' >&3; read -r -t 5 a <&3; read -r -t 5 a <&3; echo "${a%?}"
        """,
    )

    assert said(result) == ["TL4-1.4.2"]
    assert result.bench_s < 0.001


def test_a_terminal_s_own_time_out_is_virtual(run: Run) -> None:
    result = run(
        "sh",
        """
        stty -F /dev/ttyUSB3 raw -echo min 0 time 5
        stty -F /dev/ttyUSB3 -a | grep -o 'min = 0; time = 5'
        dd if=/dev/ttyUSB3 bs=64 count=3 2>/dev/null | wc -c
        """,
    )

    assert said(result) == ["min = 0; time = 5", "0"]
    assert result.bench_s == 0.5


def test_random_bytes_come_from_the_bench_s_seed(run: Run) -> None:
    program = "import os, uuid; print(os.getrandom(8).hex(), uuid.uuid4(), hash('x'))"

    def bytes_of(seed: int) -> bytes:
        return run("python3", program, overrides={"bench": {"seed": seed}}).stdout

    assert bytes_of(1) == bytes_of(1) != bytes_of(2)


def test_a_loop_that_looks_at_the_clock_gets_there(run: Run) -> None:
    result = run("sh", "end=$(($(date +%s) + 3)); while [ $(date +%s) -lt $end ]; do :; done")

    assert result.status == 0
    assert 3 <= result.bench_s < 3.05
    assert result.is_exact


def test_a_program_that_polls_without_waiting_gets_there(run: Run) -> None:
    result = run(
        "python3",
        """
        import select, time
        end = time.monotonic() + 2
        while time.monotonic() < end:
            select.select([], [], [], 0)
        """,
    )

    assert result.status == 0
    assert 2 <= result.bench_s < 2.1


def test_a_program_that_computes_takes_time_with_it_and_the_run_is_not_exact(run: Run) -> None:
    result = run("sh", "timeout 3 sh -c 'while :; do :; done'; echo $?", strict=False)

    assert said(result) == ["124"]
    assert not result.is_exact
    assert "computed for more than a second" in result.notices[0]


def test_a_strict_run_has_to_be_exact(run: Run) -> None:
    with pytest.raises(BenchUndecidedError, match="^neither bench nor product can be blamed: the script"):
        run("sh", "timeout 3 sh -c 'while :; do :; done'")


def test_whoever_waits_for_ever_is_named_at_once(run: Run) -> None:
    result = run("sh", "exec cat /dev/ttyUSB3")

    assert result.status is None
    assert result.hung is not None
    assert "cat" in result.hung
    assert "in read on descriptor" in result.hung
    assert result.wall_s < 20


def test_the_time_limit_ends_a_run_at_its_instant_and_who_waited_is_named(run: Run) -> None:
    # Such as ask again every few seconds are never without a deadline: they do not hang.
    result = run("sh", "while ! test -e /tmp/never; do sleep 2; done", limit_s=7)
    (notice,) = result.notices

    assert (result.status, result.bench_s, result.hung) == (None, 7.0, None)
    assert re.fullmatch(
        r"when its time was over: sh \(process \d+\) in wait4; sleep \(process \d+\) in clock_nanosleep",
        notice,
    )


def test_what_is_left_behind_is_ended(run: Run) -> None:
    result = run("sh", "sleep 1000 & setsid sleep 2000 & nohup sleep 3000 >/dev/null 2>&1 & exit 7")

    assert result.status == 7
    assert result.bench_s == 0


LEFT = [
    # Program, what it says, its status, and when it ends.
    ("sleep 5 & exit 7", [], 7, 0.0),
    ("(echo left; sleep 1; echo late) & exit 3", ["left"], 3, 0.0),
    ("python3 -c 'import time; print(\"up\", flush=True); time.sleep(9)' & exit 4", ["up"], 4, 0.0),
    ("(trap '' TERM; sleep 1; echo late) & sleep 0.5; echo half; kill -9 $$", ["half"], 137, 0.5),
]


@pytest.mark.parametrize(("program", "lines", "status", "seconds"), LEFT, ids=[row[0][:20] for row in LEFT])
def test_those_left_behind_do_what_is_theirs_at_that_instant(
    run: Run, program: str, lines: list[str], status: int, seconds: float
) -> None:
    results = [run("bash", program) for _ in range(20)]

    assert {(result.status, result.bench_s) for result in results} == {(status, seconds)}
    assert {result.stdout.decode() for result in results} == {"".join(f"{line}\n" for line in lines)}


def test_a_loop_that_is_left_behind_is_ended_before_time_follows_it(run: Run) -> None:
    result = run("sh", "sleep 1; while :; do :; done & exit 5")

    assert (result.status, result.bench_s, result.is_exact) == (5, 1.0, True)


@pytest.mark.skipif(os.uname().machine != "x86_64", reason="calls by their number")
def test_what_is_no_time_no_clock_and_no_address_is_refused_as_the_kernel_refuses_it(run: Run) -> None:
    result = run("python3", PRELUDE + REFUSED)
    bad_times, bad_clocks = ["EINVAL", "EINVAL", "EFAULT"], ["EINVAL", "ENOTSUP"]

    assert said(result) == [*bad_times, *bad_clocks, "EINVAL", "EBADF", "EINVAL", "EINVAL", "0.0"]


@pytest.mark.slow
def test_a_loop_of_programs_that_never_wait_ends_with_its_time(run: Run) -> None:
    result = run(
        "sh", "while :; do python3 -c 'for _ in range(9999999): pass'; done", limit_s=0.5, strict=False
    )

    assert (result.status, result.bench_s, result.is_exact) == (None, 0.5, False)


@pytest.mark.slow
def test_hundreds_of_tasks_need_no_more_files_than_a_user_may_have_open() -> None:
    wakebench = Path(sys.executable).with_name("wakebench")
    many = "for i in $(seq 200); do sleep 2 & done; wait"
    result = subprocess.run(
        ["sh", "-c", f'ulimit -Sn 256; "{wakebench}" script already-on -- sh -c "$0"', many],  # noqa: S607 # any
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
    )

    assert result.returncode == 0, result.stderr
    assert "after 2.00 s, exact" in result.stderr
