"""Runs of `wakebench` that a late machine has left undecided: whoever needs a verdict is run again."""

from __future__ import annotations

import subprocess

from hil.exit_codes import ExitCode


class UndecidedError(Exception):
    """A run was inconclusive; what it printed."""


def decided(result: subprocess.CompletedProcess[str]) -> subprocess.CompletedProcess[str]:
    """*result*, or UndecidedError where it says nothing."""
    if result.returncode == ExitCode.INCONCLUSIVE:
        raise UndecidedError(result.stdout)
    return result
