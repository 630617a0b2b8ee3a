"""Suites by name in, one exit code out: pytest run with the bench."""

from __future__ import annotations

import sys
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from .bench.files import find_bench, load_bench
from .errors import BenchError, UnknownNameError
from .exit_codes import FROM_PYTEST, ExitCode, worst

if TYPE_CHECKING:
    from collections.abc import Sequence

    import pytest

# Options of pytest and its plugins that take a value of their own as the next word.
_WITH_VALUE = frozenset(
    {
        "-k",
        "-m",
        "-n",
        "-p",
        "-c",
        "-o",
        "-W",
        "-r",
        "--pace",
        "--wait",
        "--ports",
        "--recordings",
        "--junitxml",
        "--maxfail",
    }
    | {"--tb", "--durations", "--dist", "--numprocesses", "--rootdir", "--basetemp", "--color", "--deselect"}
)


class Outcomes:
    """A pytest plugin that keeps the exit code of each outcome."""

    def __init__(self) -> None:
        self.codes: list[ExitCode] = []
        self.broken: str | None = None  # what a hardware bench that broke says

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        """Keep whose fault each failure was."""
        if report.failed:
            self.codes.append(ExitCode(getattr(report, "wakebench_code", ExitCode.FAILED)))

    def pytest_sessionfinish(self, session: pytest.Session) -> None:
        """Keep why the run was ended."""
        if isinstance(session.shouldstop, str):
            self.broken = session.shouldstop


def suites_folder() -> Path:
    """Where the suites are: beside the package in a checkout, inside it when installed."""
    package = Path(str(files("hil")))
    for candidate in (package / "suites", package.parent / "suites"):
        if (candidate / "conftest.py").is_file():
            return candidate
    raise BenchError("the suites are not installed: reinstall wakebench")


def suite_names() -> dict[str, Path]:
    """The suites by name."""
    return {path.stem.removeprefix("test_"): path for path in sorted(suites_folder().glob("test_*.py"))}


def run_suites(bench: str, given: Sequence[str]) -> ExitCode:
    """Run what *given* names (suites, paths, pytest options) on *bench*; raises UsageError for bad names."""
    import pytest

    path = find_bench(bench)
    load_bench(path)
    targets, options = _split(given)
    folder = suites_folder()
    arguments = [*(targets or [str(folder)]), *options, "--bench", str(path)]
    # Errors of ours are outcomes of tests, so warnings of other people's configuration must not decide.
    arguments += ["--rootdir", str(folder), "-c", str(folder / "pytest.ini"), "-p", "no:cacheprovider"]
    # This process has loaded the plugin already; there is no assertion in it to rewrite.
    arguments += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    outcomes = Outcomes()
    code = pytest.main(arguments, plugins=[outcomes])
    if outcomes.broken is not None and ExitCode.BENCH in outcomes.codes:
        print(f"wakebench: {outcomes.broken}", file=sys.stderr)  # noqa: T201 # a command's output
    from_pytest = FROM_PYTEST.get(int(code), ExitCode.BENCH)
    if from_pytest is ExitCode.FAILED:
        return worst(outcomes.codes or [ExitCode.FAILED])
    return worst([from_pytest, *outcomes.codes])


def _split(given: Sequence[str]) -> tuple[list[str], list[str]]:
    """Suites and paths, and the options for pytest."""
    targets: list[str] = []
    options: list[str] = []
    names = suite_names()
    takes_value = False
    for word in given:
        if takes_value or word.startswith("-"):
            options.append(word)
            takes_value = not takes_value and word in _WITH_VALUE
        elif word in names:
            targets.append(str(names[word]))
        elif Path(word.partition("::")[0]).exists():
            targets.append(word)
        elif "::" in word and word.partition("::")[0] in names:
            name, _, test = word.partition("::")
            targets.append(f"{names[name]}::{test}")
        else:
            raise UnknownNameError(
                kind="suite", name=word, known=names, hint="or give the path of a test file"
            )
    return targets, options
