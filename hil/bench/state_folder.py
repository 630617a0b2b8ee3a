"""Where what outlives a run is kept: the lock of each bench, and its day's counts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Final

from hil.errors import BenchUnfitError

# For every user of the machine, and gone with a boot, as locks are (FHS 3.0, 5.9 and 3.15).
_LOCKS: Final = Path("/run/lock")


def state_folder() -> Path:
    """For counts: `WAKEBENCH_STATE`, else the user's state folder (XDG base directories)."""
    named = os.environ.get("WAKEBENCH_STATE")
    if named:
        return _made(Path(named))
    home = os.environ.get("XDG_STATE_HOME") or str(Path.home() / ".local" / "state")
    return _made(Path(home) / "wakebench")


def lock_folder() -> Path:
    """For locks: below `WAKEBENCH_STATE`, else one that all users share."""
    if os.environ.get("WAKEBENCH_STATE") or not os.access(_LOCKS, os.W_OK):
        return _made(state_folder() / "locks")
    return _made(_LOCKS / "wakebench", mode=0o1777)


def _made(folder: Path, *, mode: int = 0o755) -> Path:
    try:
        if not folder.is_dir():
            folder.mkdir(parents=True, exist_ok=True)
            folder.chmod(mode)
    except OSError as error:
        raise BenchUnfitError(
            part="state folder",
            reason=f"{folder} cannot be made ({error.strerror})",
            cure="name another in WAKEBENCH_STATE",
        ) from error
    return folder
