"""A hardware bench in, what of it is fit and what to do out: every part looked at, nothing moved or sent.

No line is driven, no byte written to a port, the supply left as it is, nothing transmitted.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

from .bench.hardware.station import Station
from .cautions import CAUTIONS
from .errors import BenchUnfitError, WakebenchError

if TYPE_CHECKING:
    from .bench.files import BenchDescription

Verdict = Literal["fit", "unfit", "look"]


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """One part: what was found, and what to do where something has to be done."""

    part: str
    verdict: Verdict
    found: str
    cure: str = ""


@dataclass(slots=True)
class Precheck:
    """All rows; `is_fit` where none is unfit."""

    bench: str
    rows: list[Row] = field(default_factory=list)

    @property
    def is_fit(self) -> bool:
        """Whether suites can use the bench."""
        return all(row.verdict != "unfit" for row in self.rows)

    def as_json(self) -> dict[str, Any]:
        """For programs."""
        rows = [
            {"part": row.part, "verdict": row.verdict, "found": row.found, "cure": row.cure}
            for row in self.rows
        ]
        return {"bench": self.bench, "fit": self.is_fit, "cautions": list(CAUTIONS), "parts": rows}


def precheck(description: BenchDescription, *, wait_s: float = 0.0) -> Precheck:
    """Look at every part of *description*.

    Raises BenchUnfitError where the bench is in use: nothing can be looked at then.
    """
    found = Precheck(description.file.bench.name)
    station = Station(description, wait_s=wait_s, moves_nothing=True)
    try:
        for spec in description.parts:
            found.rows.append(_look_at(station, spec.name))
        found.rows += _statements(station, description)
    finally:
        station.close()
    return found


def _look_at(station: Station, name: str) -> Row:
    fault = station.faults.get(name)
    try:
        if fault is not None:
            raise fault
        said = station.drivers()[name].check()
    except BenchUnfitError as error:
        return Row(part=name, verdict="unfit", found=error.reason, cure=error.cure)
    except WakebenchError as error:
        return Row(part=name, verdict="unfit", found=str(error))
    if "not there" in said or "no port now" in said or "nothing at" in said:
        return Row(part=name, verdict="look", found=said, cure="look again with the module on")
    return Row(part=name, verdict="fit", found=said)


def _statements(station: Station, description: BenchDescription) -> list[Row]:
    """What the bench file says, or should say, and what the wiring has of it."""
    file = description.file
    rows = []
    if file.transmit.antenna is None:
        rows.append(
            Row(
                part="antenna",
                verdict="unfit",
                found="the bench file does not say what the antenna connector ends in",
                cure='connect an antenna or a 50 ohm load, then state it: [transmit] antenna = "load"',
            )
        )
    else:
        rows.append(
            Row(
                part="antenna",
                verdict="look",
                found=f"stated: {file.transmit.antenna}",
                cure="see that it is so",
            )
        )
    for role in ("power_key", "radio_disable"):
        route = station.nominal.routes[role]
        if route is None:
            rows.append(Row(part=role, verdict="look", found="no header pin reaches it through this wiring"))
        elif route.pin not in file.drivers.lines:
            rows.append(
                Row(
                    part=role,
                    verdict="look",
                    found=f"pin {route.pin} has no driver",
                    cure=f'add [drivers.lines."{route.pin}"], or do without the tests that need it',
                )
            )
    used = ", ".join(f"{name} {used} of {allowed}" for name, used, allowed in station.permits.budgets())
    rows.append(Row(part="budgets", verdict="fit", found=f"used today: {used}"))
    if not file.limits.numbers:
        rows.append(Row(part="numbers", verdict="look", found="none listed: no message, no call"))
    return rows


def as_text(found: Precheck) -> str:
    """For people: cautions first, then each part, then what to do."""
    lines = ["cautions", *(f"  - {caution}" for caution in CAUTIONS), "", f"bench {found.bench}"]
    width = max(len(row.part) for row in found.rows)
    lines += [f"  {row.verdict:<6} {row.part:<{width}}  {row.found}" for row in found.rows]
    to_do = [row for row in found.rows if row.cure]
    if to_do:
        lines += ["", "to do", *(f"  {row.part}: {row.cure}" for row in to_do)]
    verdict = "fit to use" if found.is_fit else "not fit to use"
    return "\n".join([*lines, "", f"nothing was moved or sent; the bench is {verdict}"])


def unfit_line(found: Precheck) -> str:
    """The first part that is not fit, in one line."""
    row = next(row for row in found.rows if row.verdict == "unfit")
    return f"the bench is not fit: {row.part}: {row.found}; {row.cure}"
