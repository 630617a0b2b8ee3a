"""Paces as people write them."""

from __future__ import annotations

import pytest

from hil.errors import UsageError
from hil.pace import parse_pace


@pytest.mark.parametrize(("text", "factor"), [("virtual", None), ("real", 1.0), ("x10", 10.0), ("x0.5", 0.5)])
def test_paces_are_read(text: str, factor: float | None) -> None:
    assert parse_pace(text) == factor


@pytest.mark.parametrize("text", ["", "fast", "10", "x", "x0", "x-1", "x1e9", "xnan", "xinf"])
def test_what_is_no_pace_is_refused(text: str) -> None:
    with pytest.raises(UsageError, match="allowed: virtual, real, or a factor"):
        parse_pace(text)
