"""Rules about the supply: what the rail does under each thing that the module draws."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simulator.board.course import Course, Demand

from .finding import Finding

if TYPE_CHECKING:
    from collections.abc import Iterator

    from .finding import ReviewedBoard


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """The rail under one demand: at rest, at its lowest, and whether that locks module or regulator out."""

    demand: Demand
    rest_v: float
    low_v: float
    locks_out: bool


def dips(board: ReviewedBoard) -> list[Dip]:
    """The lowest volts of the rail under each demand of the module, begun from rest."""
    path, source = board.supply_path, board.source
    alive = not path.has_regulator or source.volts >= path.restart_v
    feed = path.feed(volts=source.volts, ohm=source.resistance_ohm, limit_a=source.limit_a, on=alive)
    rail = path.rail()
    rest = Course(rail, feed, board.demands[0], 0.0)
    rest_v, inside_v = rest.volts(_LONG_S), rest.capacitor(_LONG_S)
    found = []
    for demand in board.demands:
        course = Course(rail, feed, demand, inside_v)
        floor_v = path.lockout_rail_v(feed)
        watched = [board.needs.lockout_v] if board.needs.lockout_v > 0 else []
        watched += [floor_v] if math.isfinite(floor_v) else []
        crossing = course.first_crossing(after_s=0.0, falling=watched)
        found.append(
            Dip(
                demand=demand,
                rest_v=rest_v,
                low_v=course.lowest(0.0, _LONG_S),
                locks_out=crossing is not None,
            )
        )
    return found


def supply(board: ReviewedBoard) -> Iterator[Finding]:
    """A rail that falls below the module's lock-out, or never gets to where it can start."""
    if board.supply_path.is_open:
        return
    found = dips(board)
    pins = tuple(dict.fromkeys(path.pin for path in board.paths if path.module_pin == "SUPPLY"))
    parts = ", ".join(reversed(board.supply_path.parts)) or "nothing"
    needs = board.needs
    if found[0].rest_v < needs.restart_v:
        yield Finding(
            name="supply-too-weak",
            pins=pins,
            proof=f"source {board.source.volts:g} V through {parts}: {found[0].rest_v:.2f} V at the module",
            consequence=f"the module does not start below {needs.restart_v:g} V",
            cure="a higher source, a regulator with less drop-out, or a shorter cable",
        )
        return
    for dip in found:
        if dip.locks_out:
            amps = dip.demand.amps + dip.demand.burst_a
            yield Finding(
                name="supply-too-weak",
                pins=pins,
                proof=f"{dip.demand.label}: {amps:.2f} A through {parts} pull the rail"
                f" from {dip.rest_v:.2f} V to {dip.low_v:.2f} V, lock-out is {needs.lockout_v:g} V",
                consequence="the module restarts in the midst of it, and again as soon as it tries again",
                cure="less resistance before the rail, or a larger capacitor of fewer ohms at the module",
            )


_LONG_S = 3600.0
