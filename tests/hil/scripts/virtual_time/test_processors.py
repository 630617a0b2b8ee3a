"""A tree has one processor; whoever gets ready meanwhile keeps off it."""

from __future__ import annotations

import os
import subprocess
import sys

import pytest

from hil.scripts.virtual_time.processors import bind, choose_processor, kept_off

ALLOWED = os.sched_getaffinity(0)
several = pytest.mark.skipif(len(ALLOWED) < 2, reason="there is one processor only")


def test_the_choice_is_one_that_may_be_used() -> None:
    assert choose_processor() in ALLOWED


@several
def test_threads_and_children_keep_off_it_until_the_end() -> None:
    asked = [sys.executable, "-c", "import os; print(*os.sched_getaffinity(0))"]
    with kept_off(min(ALLOWED)):
        here = os.sched_getaffinity(0)
        child = subprocess.check_output(asked, text=True)

    assert min(ALLOWED) not in here
    assert set(map(int, child.split())) == here
    assert os.sched_getaffinity(0) == ALLOWED


@several
def test_it_is_given_back_after_an_error() -> None:
    with pytest.raises(OSError, match="gone"), kept_off(min(ALLOWED)):
        raise OSError("gone")

    assert os.sched_getaffinity(0) == ALLOWED


def test_whoever_has_only_that_one_stays_there() -> None:
    one = min(ALLOWED)
    os.sched_setaffinity(0, {one})
    try:
        with kept_off(one):
            assert os.sched_getaffinity(0) == {one}
    finally:
        os.sched_setaffinity(0, ALLOWED)


def test_a_bound_process_runs_there_and_does_not_push_others_aside() -> None:
    with subprocess.Popen(["sleep", "100"]) as process:  # noqa: S607 # any
        try:
            bind(process.pid, min(ALLOWED))

            assert os.sched_getaffinity(process.pid) == {min(ALLOWED)}
            assert os.sched_getscheduler(process.pid) == os.SCHED_BATCH
        finally:
            process.kill()
