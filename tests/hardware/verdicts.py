"""What became of each test of a run, by its name as `wakebench test` takes it."""

from __future__ import annotations

import re
import xml.etree.ElementTree as ET
from collections.abc import Iterable
from pathlib import Path
from typing import NamedTuple

from .stand_in import StandIn

# A test that a bench lacks a part for says so in one of these ways: before it began, or where it needed it.
_LACKS = (
    re.compile(r"\blacks:? (?P<part>\S+)$"),
    re.compile(r"^this bench has no (?P<part>.+?)(: |$)"),
)


class Verdict(NamedTuple):
    """`passed`, `skipped`, `failed`, `inconclusive` or `bench broken`, and what was said."""

    word: str
    text: str = ""

    @property
    def lacking(self) -> str | None:
        """The part for want of which it was skipped; None for another reason."""
        text = self.text.removeprefix("Skipped: ")
        found = next(filter(None, (each.search(text) for each in _LACKS)), None)
        return found["part"] if self.word == "skipped" and found else None


def verdicts(
    stand_in: StandIn, bench: Path, tests: Iterable[str], *options: object, timeout_s: float = 240
) -> dict[str, Verdict]:
    """Run *tests* (all where none are given); those of which nothing is known did not run."""
    report = stand_in.run.parent / "report.xml"
    report.unlink(missing_ok=True)
    result = stand_in.wakebench(
        "test", bench, *tests, "-q", "--junitxml", report, *options, timeout_s=timeout_s
    )
    assert report.exists(), result.stdout + result.stderr
    return {_name(case): _verdict(case) for case in ET.parse(report).iter("testcase")}  # noqa: S314 # our own


def repeated(
    stand_in: StandIn, tests: Iterable[str], *options: object, times: int = 3, timeout_s: float = 240
) -> tuple[dict[str, Verdict], dict[str, Verdict]]:
    """As `verdicts` on the hardware bench; what neither passed nor was skipped is run again, alone.

    Of a served simulation that was late a bench knows nothing: a failure that does not come again is the busy
    machine's.  The other half: what was run again, and why.
    """
    found = verdicts(stand_in, stand_in.bench, tests, *options, timeout_s=timeout_s)
    again: dict[str, Verdict] = {}
    for _ in range(times):
        for name, verdict in list(found.items()):
            if verdict.word not in ("passed", "skipped"):
                again.setdefault(name, verdict)
                found |= verdicts(stand_in, stand_in.bench, [name], *options)
    return found, again


def _name(case: ET.Element) -> str:
    return f"{case.get('classname', '').rpartition('.')[2].removeprefix('test_')}::{case.get('name')}"


def _verdict(case: ET.Element) -> Verdict:
    for tag in ("error", "failure", "skipped"):
        node = case.find(tag)
        if node is not None:
            text = node.get("message", "")
            word = next((one for one in ("inconclusive", "bench broken") if text.startswith(one)), None)
            return Verdict(word or {"skipped": "skipped"}.get(tag, "failed"), text)
    return Verdict("passed")
