"""One user at a time: a lock for the bench, and one for each line, port and instrument that it takes.

The kernel holds the locks (flock), so that they are free when their holder ends, however it ends.  Beside
each stands who holds it and since when, for whoever has to wait.
"""

from __future__ import annotations

import contextlib
import getpass
import json
import os
import re
import sys
import time
from datetime import datetime
from typing import TYPE_CHECKING, Final

from filelock import FileLock, Timeout

from hil.errors import BenchUnfitError

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

_ASK_EVERY_S: Final = 0.05


class BenchLock:
    """Holds *bench* and *resources* from its making until `release`.

    Waits up to *wait_s*; raises BenchUnfitError that names the holder.
    """

    def __init__(self, bench: str, resources: Iterable[str], *, folder: Path, wait_s: float = 0.0) -> None:
        self._held: list[FileLock] = []
        self._folder = folder
        until_s = time.monotonic() + wait_s
        # Sorted, so that two benches that share parts never wait for each other.
        for name in (f"bench {bench}", *sorted(set(resources))):
            self._take(name, until_s)

    def release(self) -> None:
        """Let go of all; harmless when called again."""
        while self._held:
            lock = self._held.pop()
            with contextlib.suppress(OSError):
                _holder_file(lock.lock_file).unlink(missing_ok=True)
            lock.release()

    def _take(self, name: str, until_s: float) -> None:
        path = self._folder / f"{re.sub(r'[^A-Za-z0-9._-]+', '_', name)}.lock"
        lock = FileLock(path, mode=0o666)
        try:
            lock.acquire(timeout=max(until_s - time.monotonic(), 0.0), poll_interval=_ASK_EVERY_S)
        except Timeout as error:
            self.release()
            raise BenchUnfitError(
                part=name,
                reason=f"in use by {_holder(_holder_file(str(path)))}",
                cure="wait for it with --wait SECONDS, or end that run",
            ) from error
        except OSError as error:
            self.release()
            raise BenchUnfitError(
                part=name,
                reason=f"{path} cannot be locked ({error.strerror})",
                cure="give the user access, or name another folder in WAKEBENCH_STATE",
            ) from error
        self._held.append(lock)
        facts = {
            "user": _user(),
            "pid": os.getpid(),
            "since": datetime.now().astimezone().isoformat(timespec="seconds"),
            "command": " ".join(sys.argv)[:200],
        }
        with contextlib.suppress(OSError):  # the lock holds without it
            _holder_file(str(path)).write_text(json.dumps(facts), encoding="utf-8")


def _holder_file(lock_file: str) -> Path:
    from pathlib import Path

    return Path(lock_file).with_suffix(".json")


def _holder(path: Path) -> str:
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
        return f"{facts['user']}, pid {facts['pid']}, since {facts['since']} ({facts['command']})"
    except (OSError, ValueError, KeyError, TypeError):
        return "another process that has not said who it is"


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError):
        return f"uid {os.getuid()}"
