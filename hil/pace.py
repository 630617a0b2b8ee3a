"""How a pace is written: `virtual`, `real`, or a factor such as `x10`."""

from __future__ import annotations

from .errors import UsageError


def parse_pace(text: str) -> float | None:
    """The factor that *text* means; None for virtual.  Raises UsageError."""
    if text == "virtual":
        return None
    if text == "real":
        return 1.0
    try:
        factor = float(text.removeprefix("x"))
    except ValueError:
        factor = 0.0
    if not (text.startswith("x") and 0 < factor <= 1000):  # noqa: PLR2004 # beyond it, lateness is all there is
        raise UsageError(f"pace: found {text!r}; allowed: virtual, real, or a factor up to x1000 such as x10")
    return factor
