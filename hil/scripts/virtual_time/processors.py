"""The one processor that a process tree runs on, and how others keep off it.

A tree and whoever supervises it run in turn, thousands of times a second.  Somebody else on the tree's
processor makes each turn wait for the end of his slice, and a tree that is bound cannot move away.
"""

from __future__ import annotations

import os
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


def choose_processor() -> int:
    """One of those that this process may use: trees of several processes are spread over them."""
    allowed = sorted(os.sched_getaffinity(0))
    return allowed[os.getpid() % len(allowed)]


def bind(pid: int, processor: int) -> None:
    """Let *pid*, and all that it starts, run on *processor* alone: with two, who runs first is chance.

    There, whoever runs goes on until it waits: a task that is woken does not push it aside (sched(7)).
    """
    os.sched_setaffinity(pid, {processor})
    os.sched_setscheduler(pid, os.SCHED_BATCH, os.sched_param(0))


@contextmanager
def kept_off(processor: int) -> Iterator[None]:
    """This thread, and what it starts meanwhile, leave *processor* to others, where there is another one."""
    before = os.sched_getaffinity(0)
    others = before - {processor}
    if others:
        os.sched_setaffinity(0, others)
    try:
        yield
    finally:
        os.sched_setaffinity(0, before)
