"""A tree that waits for ever, or for too long, in; one text that says who waits for what out."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from .supervisor import Supervisor
    from .tasks import Task

# Calls that a waiting program is most often in, beside those that the supervisor knows.
_CALLS: Final = {
    "x86_64": {61: "wait4", 72: "fcntl", 73: "flock", 130: "rt_sigsuspend"},
    "aarch64": {25: "fcntl", 32: "flock", 133: "rt_sigsuspend", 260: "wait4"},
}
_ON_A_DESCRIPTOR: Final = ("read", "write", "fcntl", "flock", "recvfrom", "ioctl")


def describe(supervisor: Supervisor) -> str:
    """What to say where nothing will ever come."""
    return f"the script waits for ever, and nothing is due: {who_waits(supervisor)}"


def who_waits(supervisor: Supervisor) -> str:
    """Every task with its call, and what that is on."""
    return "; ".join(_task(supervisor, task) for task in supervisor.tree if not _is_frame(task))


def _is_frame(task: Task) -> bool:
    """The sandbox's own processes only wait for their children."""
    return task.name() == "bwrap"


def _task(supervisor: Supervisor, task: Task) -> str:
    call = task.call()
    who = f"{task.name()} (process {task.process.pid})"
    if not call:
        return f"{who} in no call"
    names = {**supervisor.names, **_CALLS[os.uname().machine]}
    name = names.get(call[0], f"call {call[0]}")
    if name not in _ON_A_DESCRIPTOR:
        return f"{who} in {name}"
    try:
        what = os.readlink(f"/proc/{task.tid}/fd/{call[1]}")
    except OSError:
        what = "?"
    lines = supervisor.line_handles and supervisor.line_handles.find(task, call[1])
    what = str(lines or what)
    return f"{who} in {name} on descriptor {call[1]} ({what})"
