"""Which exit code an outcome becomes.

0 as hoped, 1 the thing under test failed, 2 wrong use or bad file, 3 the bench is broken,
4 inconclusive.  Of mixed outcomes the first of 2, 3, 1, 4, 0 that occurred wins.
"""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING, Final

from .errors import BenchError, Inconclusive, ProductError, UsageError

if TYPE_CHECKING:
    from collections.abc import Iterable


class ExitCode(IntEnum):
    """The codes of every command."""

    OK = 0
    FAILED = 1
    USAGE = 2
    BENCH = 3
    INCONCLUSIVE = 4


_PRECEDENCE: Final = (
    ExitCode.USAGE,
    ExitCode.BENCH,
    ExitCode.FAILED,
    ExitCode.INCONCLUSIVE,
    ExitCode.OK,
)

# pytest's own codes: passed, tests failed, interrupted, internal error, usage, nothing collected.
FROM_PYTEST: Final = {
    0: ExitCode.OK,
    1: ExitCode.FAILED,
    2: ExitCode.BENCH,
    3: ExitCode.BENCH,
    4: ExitCode.USAGE,
    5: ExitCode.USAGE,
}


def of_error(error: BaseException) -> ExitCode:
    """The code for *error*; what is none of ours counts as a failure of the thing under test."""
    for root, code in (
        (UsageError, ExitCode.USAGE),
        (BenchError, ExitCode.BENCH),
        (Inconclusive, ExitCode.INCONCLUSIVE),
        (ProductError, ExitCode.FAILED),
    ):
        if isinstance(error, root):
            return code
    return ExitCode.FAILED


def worst(codes: Iterable[ExitCode]) -> ExitCode:
    """The code of a run with several outcomes; OK where there are none."""
    occurred = set(codes)
    return next((code for code in _PRECEDENCE if code in occurred), ExitCode.OK)
