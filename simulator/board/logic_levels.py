"""The voltages that logic inputs ask for and outputs give, by their supply.

Supply volts in, limits in volts out.  Knows no part.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class LogicLimits:
    """What counts at a pin of one supply, in volts.

    An input reads low up to *low_input_v* and high from *high_input_v*, and bears up to *most_v*; an
    output gives at most *low_output_v* and at least *high_output_v*.
    """

    low_input_v: float
    high_input_v: float
    low_output_v: float
    high_output_v: float
    most_v: float


def limits(supply_v: float) -> LogicLimits:
    """The limits at a supply of *supply_v* (above 0).

    JESD8C (LVTTL and LVCMOS) from 3.0 to 3.6 V, JESD8-7A from 1.65 to 1.95 V; at others 0.3 and 0.7 of
    the supply (common practice, no source).  An input bears 0.3 V more than its supply (both standards).
    """
    most_v = supply_v + 0.3
    if 3.0 <= supply_v <= 3.6:  # noqa: PLR2004 # the standard's own range
        return LogicLimits(0.8, 2.0, 0.2, supply_v - 0.2, most_v)
    if 1.65 <= supply_v <= 1.95:  # noqa: PLR2004 # the standard's own range
        return LogicLimits(0.35 * supply_v, 0.65 * supply_v, 0.45, supply_v - 0.45, most_v)
    return LogicLimits(0.3 * supply_v, 0.7 * supply_v, 0.1 * supply_v, 0.9 * supply_v, most_v)
