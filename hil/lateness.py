"""How late a run may be before what it says of times is no verdict any more."""

from __future__ import annotations

from typing import Final

# A duration is trusted while the run was late by less than this, or this share of it.
_LATE_S: Final = 0.005
_LATE_SHARE: Final = 0.01
# A run that was this late can no longer tell a silent module from a machine that was busy.
HOPELESS_S: Final = 1.0


def allowed_late_s(duration_s: float) -> float:
    """How late a run may have been while something of *duration_s* went on."""
    return max(_LATE_S, _LATE_SHARE * abs(duration_s))
