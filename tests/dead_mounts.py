"""Mounts whose server has gone, as a run that was killed leaves them: nobody can remove a folder with one."""

from __future__ import annotations

import errno
import os
from pathlib import Path

from simulator.edges.fuse_mount import unmount

# Type and source, as /proc/self/mountinfo has them.
_OURS = ("fuse wakebench ", "fuse scratch ")


def take_dead_mounts_away(folder: Path) -> list[Path]:
    """Unmount what wakebench mounted below *folder* and nobody serves any more; those that live stay.

    Returns where they were.
    """
    dead = []
    for line in Path("/proc/self/mountinfo").read_text().splitlines():
        place = Path(line.split(" ")[4])

        if line.split(" - ")[1].startswith(_OURS) and place.is_relative_to(folder) and _is_dead(place):
            unmount(place)
            dead.append(place)
    return dead


def _is_dead(place: Path) -> bool:
    try:
        os.statvfs(place)
    except OSError as error:
        return error.errno == errno.ENOTCONN
    return False
