"""The functions that stand in for the vDSO's, run in this process; and programs that read from the page."""

from __future__ import annotations

import ctypes
import mmap
import os
import struct
import time
from collections.abc import Callable

import pytest

from hil.scripts.linux import x86_64_clock
from hil.scripts.linux.architecture import this_machine
from hil.scripts.runner import ScriptRun
from hil.scripts.virtual_time import clock_page

pytestmark = pytest.mark.skipif(this_machine().CLOCK is None, reason="not on this architecture")

Run = Callable[..., ScriptRun]

MONOTONIC_NS, WALL_NS = 1_000_999_999_999, 1_768_456_800_123_456_789


class _Code:
    """The code in memory that may be run, with a page of times beside it."""

    def __init__(self) -> None:
        protection = mmap.PROT_READ | mmap.PROT_WRITE | mmap.PROT_EXEC
        self._code = mmap.mmap(-1, 4096, prot=protection)
        self._code.write(x86_64_clock.CODE)
        self.page = mmap.mmap(-1, 4096)
        self._at = ctypes.addressof(ctypes.c_char.from_buffer(self._code))

    def use_page(self, *, free: int) -> None:
        address = ctypes.addressof(ctypes.c_char.from_buffer(self.page))
        struct.pack_into("=qqq", self.page, 0, MONOTONIC_NS, WALL_NS, free)
        struct.pack_into("=Q", self._code, x86_64_clock.SLOT, address)

    def left(self) -> int:
        (left,) = struct.unpack_from("=q", self.page, 16)
        return int(left)

    def call(self, name: str, *arguments: object) -> int:
        result = ctypes.c_long if name == "__vdso_time" else ctypes.c_int
        prototype = ctypes.CFUNCTYPE(result, ctypes.c_long, ctypes.c_void_p)
        return int(prototype(self._at + x86_64_clock.ENTRIES[name])(*arguments))

    def clock(self, number: int) -> int:
        """The clock in ns."""
        words = (ctypes.c_int64 * 2)()
        assert self.call("__vdso_clock_gettime", number, ctypes.addressof(words)) == 0
        return words[0] * 1_000_000_000 + words[1]

    def time_of_day(self) -> tuple[int, int]:
        words = (ctypes.c_int64 * 2)()
        assert self.call("__vdso_gettimeofday", ctypes.addressof(words), None) == 0
        return words[0], words[1]


@pytest.fixture
def code() -> _Code:
    return _Code()


@pytest.mark.parametrize("number", [1, 4, 6, 7, 9])
def test_clocks_that_nobody_sets_are_read_from_the_page(code: _Code, number: int) -> None:
    code.use_page(free=10)

    assert code.clock(number) == MONOTONIC_NS
    assert code.left() == 9


@pytest.mark.parametrize("number", [0, 5, 8, 11])
def test_the_wall_clock_is_read_from_the_page(code: _Code, number: int) -> None:
    code.use_page(free=10)

    assert code.clock(number) == WALL_NS


def test_the_time_of_day_and_seconds_are_cut_short_not_rounded(code: _Code) -> None:
    code.use_page(free=10)
    seconds = ctypes.c_int64()

    assert code.time_of_day() == (1_768_456_800, 123_456)
    assert code.call("__vdso_time", 0, None) == 1_768_456_800
    assert code.call("__vdso_time", ctypes.addressof(seconds), None) == 1_768_456_800
    assert seconds.value == 1_768_456_800
    assert code.left() == 7


@pytest.mark.parametrize("free", [None, 0])
def test_without_page_or_free_reads_the_call_is_made(code: _Code, free: int | None) -> None:
    if free is not None:
        code.use_page(free=free)
    before = time.clock_gettime_ns(time.CLOCK_REALTIME)

    assert code.clock(time.CLOCK_REALTIME) >= before
    assert code.time_of_day()[0] >= before // 1_000_000_000
    assert code.call("__vdso_time", 0, None) >= before // 1_000_000_000


@pytest.mark.parametrize(
    "number", [time.CLOCK_PROCESS_CPUTIME_ID, time.CLOCK_THREAD_CPUTIME_ID, -2 & 0xFFFFFFFF]
)
def test_clocks_of_processor_time_are_the_kernels(code: _Code, number: int) -> None:
    code.use_page(free=10)

    assert 0 < code.clock(number) < MONOTONIC_NS
    assert code.left() == 10


def test_errors_are_the_kernels(code: _Code) -> None:
    code.use_page(free=10)

    assert code.call("__vdso_clock_gettime", 40, None) == -22


def test_random_bytes_are_never_made_without_a_call(code: _Code) -> None:
    assert code.call("__vdso_getrandom", 0, None) == -38


def test_there_is_room_for_them_in_this_kernels_vdso() -> None:
    patch = clock_page._patch(x86_64_clock)  # what the kernel gives is looked at once

    assert patch is not None
    assert patch.offset % 4096 + len(patch.data) <= 4096  # one page of a program is copied, no more
    assert os.uname().machine == "x86_64"


# Reads clocks until it has its page, and can still make the calls: both show the same.
READER = """
import ctypes, os, threading, time
libc = ctypes.CDLL(None)
def called(clock):
    words = (ctypes.c_int64 * 2)()
    libc.syscall(228, clock, words)
    return words[0] * 1_000_000_000 + words[1]
def same():
    return time.monotonic_ns() == called(1) and time.time_ns() == called(0)
for _ in range(100):
    time.monotonic()
began_ns = time.monotonic_ns()
"""


def test_the_page_shows_what_the_call_shows_whenever_time_has_moved(run: Run) -> None:
    program = """
seen = []
for wait_s in (0.5, 3, 0.25):
    time.sleep(wait_s)
    seen.append(same())
print(seen, time.monotonic_ns() - began_ns)
"""

    assert run("python3", READER + program).stdout == b"[True, True, True] 3750000000\n"


def test_children_and_threads_read_the_same_clock(run: Run) -> None:
    program = """
def look(name, wait_s):
    time.sleep(wait_s)
    print(name, same(), time.monotonic_ns() - began_ns, flush=True)
if os.fork() == 0:
    look("child", 2)
    os._exit(0)
thread = threading.Thread(target=look, args=("thread", 1))
thread.start()
thread.join()
os.wait()
look("parent", 0.5)
"""

    assert run("python3", READER + program).stdout.decode().splitlines() == [
        "thread True 1000000000",
        "child True 2000000000",
        "parent True 2500000000",
    ]


def test_whoever_is_woken_by_another_reads_the_new_time(run: Run) -> None:
    program = """
read, write = os.pipe()
if os.fork() == 0:
    for _ in range(3):
        time.sleep(1)
        os.write(write, b"x")
    os._exit(0)
for _ in range(3):
    os.read(read, 1)
    print(time.monotonic_ns() - began_ns)
"""

    assert run("python3", READER + program).stdout == b"1000000000\n2000000000\n3000000000\n"


def test_a_wall_clock_that_is_set_shows_on_the_page(run: Run) -> None:
    program = """
time.clock_settime(time.CLOCK_REALTIME, 2_000_000_000)
print(time.time(), same())
time.sleep(1.5)
print(time.time(), time.monotonic_ns() - began_ns)
"""

    assert run("python3", READER + program).stdout == b"2000000000.0 True\n2000000001.5 1500000000\n"


def test_reads_that_make_no_call_count_as_looks_at_the_clock(run: Run) -> None:
    program = """
while time.monotonic_ns() < began_ns + 100_000_000:
    pass
"""
    result = run("python3", READER + program)

    assert result.is_exact
    assert 0.1 <= result.bench_s < 0.11
