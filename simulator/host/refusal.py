"""The kernel's way of refusing: an error number."""

from __future__ import annotations

import errno


def fault(number: int) -> OSError:
    """The error as the kernel returns it."""
    return OSError(number, errno.errorcode[number])
