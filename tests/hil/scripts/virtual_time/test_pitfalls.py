"""What has gone wrong with tracing, and what keeps it from doing so again.

Where no test of its own can provoke a pitfall, this says which cures it and where it would show:

- a task that reads as asleep while it is on its way there: asked twice, with its call and its scheduling
  counters (`Task.rest`); chance alone provokes it, `ci/determinism.py` beside busy processors is its test;
- what is on its way through a pty: `Terminals.flush` and `World.arrive`; `test_programs.py` shows it;
- WCONTINUED with WNOWAIT, a livelock after SIGCONT: never asked for; `test_waits.py`, stopped and continued;
- a zombie whose parent wakes only once the tracer has taken it: stops are taken after each look at the tree
  (`Supervisor._look`); every shell test waits for children;
- a child's first stop before its parent's event: `Supervisor._early`; the order is the kernel's chance,
  `processes.sh` has 1,500 of them;
- a request to a file system that is answered between two looks: the servant is asked before the second look;
  `tests/suites/test_bring_up.py` beside busy processors showed it once in twenty runs;
- who rests before the first program begins may wait for a process that is not traced
  (`Supervisor._has_begun`): beside busy processors one run in a few dozen began later than at 0;
- an error of the supervisor's own: tasks go on all the same (`_answer`, `_finish`), and are killed at
  the end in another (`run`).
"""

from __future__ import annotations

import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest

from hil.scripts.runner import ScriptRun

Run = Callable[..., ScriptRun]


def test_signals_that_the_supervisor_blocks_are_not_blocked_in_the_script(run: Run) -> None:
    result = run("sh", "grep -E 'SigBlk|SigIgn' /proc/self/status")

    assert [line.split()[1] for line in result.stdout.splitlines()] == [b"0" * 16] * 2


def test_the_supervisor_s_timer_slack_is_not_the_script_s(run: Run) -> None:
    assert run("sh", "cat /proc/self/timerslack_ns").stdout == b"50000\n"


def test_the_module_s_port_does_not_become_the_script_s_terminal(run: Run) -> None:
    result = run(
        "sh", "exec 3<>/dev/ttyUSB3; cut -d' ' -f7 /proc/self/stat; (: </dev/tty) 2>/dev/null || echo none"
    )

    assert result.stdout == b"0\nnone\n"


def test_a_process_that_is_stopped_stays_stopped_while_others_are_kicked(run: Run) -> None:
    result = run(
        "sh",
        """
        (while :; do sleep 0.5; echo tick; done) & ticker=$!
        sleep 1.2
        kill -STOP $ticker
        sleep 5
        kill -CONT $ticker
        sleep 0.9
        kill $ticker
        date +%s.%N
        """,
    )
    ticks = [event.t_ns / 1e9 for event in result.recording.on("script/2", "stdout")]

    # The sleep that was due at 1.5 s ends when its process goes on, at 6.2 s.
    assert ticks == [0.5, 1.0, 6.2, 6.7, 7.1]


def test_a_wait_that_a_signal_interrupts_keeps_its_deadline(run: Run) -> None:
    result = run(
        "python3",
        """
        import os, select, signal, threading, time
        signal.signal(signal.SIGUSR1, lambda *_: None)
        def poke():
            for _ in range(3):
                time.sleep(1)
                os.kill(os.getpid(), signal.SIGUSR1)
        threading.Thread(target=poke).start()
        reader, writer = os.pipe()
        select.select([reader], [], [], 7)
        print(round(time.monotonic() - 1000, 6))
        """,
    )

    assert result.stdout == b"7.0\n"


def test_a_child_of_vfork_that_waits_is_waited_for(run: Run) -> None:
    # subprocess uses vfork (CPython since 3.10); the child waits for a lock in exec's way only in passing.
    result = run("python3", "import subprocess\nfor _ in range(50): subprocess.run(['sleep', '1'])")

    assert result.bench_s == pytest.approx(50, abs=1e-9)


def test_a_program_that_looks_for_its_random_page_finds_it(run: Run) -> None:
    # AT_RANDOM and the vDSO are told in one vector.
    program = """
    import ctypes
    libc = ctypes.CDLL(None)
    libc.getauxval.restype = ctypes.c_ulong
    print(ctypes.string_at(libc.getauxval(25), 16).hex())
    """

    first, second = run("python3", program).stdout, run("python3", program).stdout
    assert first == second != b""


STATIC = """
#include <poll.h>
#include <stdio.h>
#include <time.h>
int main(void) {
    struct timespec wanted = {2, 500000000}, now;
    nanosleep(&wanted, 0);
    poll(0, 0, 1500);
    clock_gettime(CLOCK_MONOTONIC, &now);
    printf("%ld.%09ld\\n", (long)now.tv_sec, now.tv_nsec);
    return 0;
}
"""


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no C compiler to make a static program with")
def test_a_static_program_waits_as_others_do(run: Run, tmp_path: Path) -> None:
    (tmp_path / "waits.c").write_text(STATIC)
    command = ["gcc", "-static", "-o", "waits", "waits.c"]
    if subprocess.run(command, cwd=tmp_path, check=False, capture_output=True).returncode != 0:
        pytest.skip("no static C library")

    assert run("sh", "./waits").stdout == b"1004.000000000\n"


@pytest.mark.slow
def test_a_program_that_asks_whether_a_header_file_is_a_terminal_waits_for_nobody(run: Run) -> None:
    # Python does, of each file that it opens; beside a pty of its own every descriptor is looked at.
    result = run(
        "python3",
        """
        import os, time
        master, slave = os.openpty()
        with open("/sys/class/gpio/export", "w") as export:
            export.write("84")
        with open("/sys/class/gpio/gpio84/value") as value:
            time.sleep(1)
            print(value.read().strip(), value.isatty())
        """,
    )

    assert result.stdout == b"0 False\n"
