"""Errors of the operating system in, what is wrong with the bench and what to do out."""

from __future__ import annotations

import errno
from typing import Final

from hil.errors import BenchUnfitError

_CURES: Final = {
    errno.ENOENT: ("is not there", "plug it in, or mend its name in the bench file"),
    errno.ENODEV: ("is not there", "plug it in, or mend its name in the bench file"),
    errno.EACCES: ("may not be used", "give the user access to it (a udev rule, or its group)"),
    errno.EPERM: ("may not be used", "give the user access to it (a udev rule, or its group)"),
    errno.EBUSY: ("is in use", "end the program that holds it, or name another"),
    errno.EIO: ("does not work", "plug it in again"),
}


def unfit(part: str, what: str, error: OSError) -> BenchUnfitError:
    """*error* at *what*, which is *part* of the bench."""
    said = error.strerror or str(error)
    reason, cure = _CURES.get(error.errno or 0, (f"failed ({said})", "look at it"))
    return BenchUnfitError(part=part, reason=f"{what} {reason}", cure=cure)
