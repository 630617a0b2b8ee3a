"""What every driver owes whoever reads the last line of a broken run: the part and the cure."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from hil.errors import BenchUnfitError

if TYPE_CHECKING:
    from collections.abc import Callable


def tells_what_broke(action: Callable[[], object], *, part: str) -> None:
    """*action* raises BenchUnfitError that names *part*, a reason and a cure, in one line."""
    with pytest.raises(BenchUnfitError) as caught:
        action()
    error = caught.value
    assert error.part == part
    assert error.reason
    assert error.cure
    assert len(str(error).splitlines()) == 1
