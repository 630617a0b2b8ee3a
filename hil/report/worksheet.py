"""The worksheet for the board on the desk: what to measure and to expect, and what readings mean.

Readings come in a TOML file: `[[reading]]` with `step`, `net` and `volts`, as the worksheet names them.
"""

from __future__ import annotations

from collections import defaultdict
from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import Field

from hil.bench.toml import check, read_toml
from hil.errors import BadFileError
from simulator.board.worksheet import LEAST_V, SHARE, SOUND, Reading, Worksheet
from simulator.kernel.section import Section, Several
from simulator.model import module_pins

from .wiring import reviewed_board

if TYPE_CHECKING:
    from pathlib import Path

    from hil.bench.files import BenchDescription

CAUTIONS: Final = (
    "check the polarity and the voltage of the supply before it is connected; a lithium cell bears no short",
    "antenna or 50 ohm load connected before the module is on: it may transmit",
    "touch ground before the board; slip with no probe between two pins",
)

# A reading that is further from every rail than this is a slip of the pen or a wrong range.
_BEYOND_V: Final = 1.0
_SHOWN_MEANINGS: Final = 3
_SHOWN_NAMES: Final = 3


class ReadingSection(Section):
    """One reading of the meter."""

    step: str
    net: str
    volts: Annotated[float, Field(allow_inf_nan=False)]


class ReadingsFile(Section):
    """A file of readings."""

    reading: Annotated[Several[ReadingSection], Field(min_length=1)]


def worksheet_of(description: BenchDescription) -> Worksheet:
    """The worksheet of a bench, by its profile."""
    settings = description.settings
    board, _ = reviewed_board(description).board()
    return Worksheet(
        settings.wiring,
        settings.positions,
        module_pins(description.profile),
        settings.host,
        board.all_powered().rails,
    )


def worksheet_report(description: BenchDescription) -> dict[str, Any]:
    """The steps with what to expect and what else would mean."""
    sheet = worksheet_of(description)
    return {
        "bench": description.file.bench.name,
        "wiring": description.settings.wiring.name,
        "meter": {"share": SHARE, "least_v": LEAST_V},
        "cautions": list(CAUTIONS),
        "steps": [
            {
                "step": step.name,
                "do": step.do,
                "measure": [
                    {
                        "net": net,
                        "expect_v": round(sheet.expected[step.name, net], 3),
                        "otherwise": _otherwise(sheet, step.name, net),
                    }
                    for net in step.nets
                ],
            }
            for step in sheet.steps
        ],
        "not_to_be_told": [name for name in sheet.errors if SOUND in sheet.alike(name)],
    }


def _otherwise(sheet: Worksheet, step: str, net: str) -> list[dict[str, Any]]:
    """The commonest other voltages at one place, each with the errors that would show it."""
    by_volts: dict[float, list[str]] = defaultdict(list)
    right_v = round(sheet.expected[step, net], 1)
    for name, volts in sheet.meanings(step, net).items():
        if round(volts, 1) != right_v:
            by_volts[round(volts, 1)].append(name)
    commonest = sorted(by_volts.items(), key=lambda item: (-len(item[1]), item[0]))
    return [{"volts": volts, "means": names} for volts, names in commonest[:_SHOWN_MEANINGS]]


def worksheet_text(report: dict[str, Any]) -> str:
    """The worksheet for a terminal or a printer."""
    lines = [f"worksheet for {report['wiring']}, bench {report['bench']}", ""]
    lines += [f"caution: {caution}" for caution in report["cautions"]]
    for step in report["steps"]:
        lines += ["", f"step {step['step']}: {step['do']}"]
        for row in step["measure"]:
            lines.append(f"  {row['net']:<16} expect {_expected(row['expect_v'])}   measured ________ V")
            lines += [
                f"  {'':<16} {other['volts']:.1f} V means: {_some(other['means'])}"
                for other in row["otherwise"]
            ]
    if report["not_to_be_told"]:
        lines += ["", "no reading tells these from a sound board:"]
        lines += [f"  {name}" for name in report["not_to_be_told"]]
    lines += ["", "write the readings into a file, and ask with --readings FILE:", ""]
    first = report["steps"][0]
    lines += ["  [[reading]]", f'  step = "{first["step"]}"', f'  net = "{first["measure"][0]["net"]}"']
    lines += [f"  volts = {first['measure'][0]['expect_v']}"]
    return "\n".join(lines)


def _expected(volts: float) -> str:
    if volts < 0.05:  # noqa: PLR2004 # what a meter shows there is as good as nothing
        return "less than 0.05 V"
    return f"{volts:5.2f} V +- {SHARE * volts + LEAST_V:.2f} V"


def _some(names: list[str]) -> str:
    more = len(names) - _SHOWN_NAMES
    return "; ".join(names[:_SHOWN_NAMES]) + (f"; and {more} more" if more > 0 else "")


def readings_report(description: BenchDescription, path: Path) -> dict[str, Any]:
    """What the readings in a file mean: explanations, the best first, down to a sound board.

    Raises BadFileError.
    """
    sheet = worksheet_of(description)
    file = check(ReadingsFile, read_toml(path, wanted="a file of readings"), file=str(path))
    readings = [_checked(sheet, number, row, str(path)) for number, row in enumerate(file.reading)]
    explanations = []
    for found in sheet.rank(readings):
        explanations.append({"what": found.name, "miss": round(found.miss, 3), "alike": list(found.alike)})
        if found.name == SOUND:
            break  # what explains the readings worse than no error is no explanation
    return {
        "bench": description.file.bench.name,
        "readings": len(readings),
        "explanations": explanations,
    }


def _checked(sheet: Worksheet, number: int, row: ReadingSection, file: str) -> Reading:
    steps = {step.name: step.nets for step in sheet.steps}
    key = f"reading.{number}"
    if row.step not in steps:
        raise BadFileError(file=file, key=f"{key}.step", found=repr(row.step), allowed=", ".join(steps))
    if row.net not in steps[row.step]:
        raise BadFileError(
            file=file, key=f"{key}.net", found=repr(row.net), allowed=", ".join(steps[row.step])
        )
    highest_v = max(rail.volts for rail in sheet.wiring.rails.values()) + _BEYOND_V
    if not -_BEYOND_V <= row.volts <= highest_v:
        allowed = f"{-_BEYOND_V:g} to {highest_v:g} V: no rail is beyond that"
        raise BadFileError(file=file, key=f"{key}.volts", found=f"{row.volts:g}", allowed=allowed)
    return Reading(step=row.step, net=row.net, volts=row.volts)


def readings_text(report: dict[str, Any]) -> str:
    """The explanations for a terminal."""
    lines = [f"{report['readings']} readings; a miss of about 1 is the meter, far more is the board", ""]
    for number, found in enumerate(report["explanations"], start=1):
        lines.append(f"{number:2}  miss {found['miss']:8.2f}  {found['what']}")
        if found["alike"]:
            lines.append(f"    no reading tells it from: {_some(found['alike'])}")
    return "\n".join(lines)
