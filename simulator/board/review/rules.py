"""All rules, and what they find on one board."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from .control import key, polarity, radio
from .finding import NAMES
from .levels import back_feed, mismatch, shifters, tied_off
from .supply import supply
from .timing import pulse
from .uart import uart

if TYPE_CHECKING:
    from .finding import Finding, ReviewedBoard

_RULES: Final = (key, radio, polarity, mismatch, shifters, uart, back_feed, supply, pulse, tied_off)


def review(board: ReviewedBoard) -> list[Finding]:
    """Everything there is to say, in the order of `NAMES`."""
    found = [finding for rule in _RULES for finding in rule(board)]
    order = list(NAMES)
    return sorted(found, key=lambda finding: order.index(finding.name))
