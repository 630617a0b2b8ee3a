"""Suites by name in, one exit code out: pytest run with the bench."""

from __future__ import annotations

import sys
import tempfile
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING

from .bench.files import load_bench
from .bench.shipped import find_bench
from .errors import BenchError, MissingFileError, UnknownNameError, UsageError
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
        "--against",
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

    def pytest_collectreport(self, report: pytest.CollectReport) -> None:
        """A file that cannot be read as tests is wrong use, not a broken bench."""
        if report.failed:
            self.codes.append(ExitCode.USAGE)

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

    path = find_bench(bench)
    load_bench(path)
    targets, options = _split(given)
    against, options = _taken("--against", options)
    if against is not None:
        if not Path(against).is_dir():
            raise MissingFileError(path=against, wanted="a folder of recordings that --recordings has kept")
        with tempfile.TemporaryDirectory(prefix="wakebench-") as scratch:
            kept, _ = _taken("--recordings", options)
            options = options if kept else [*options, "--recordings", scratch]
            code = _run(path, targets, options)
            return worst([code, _compare(Path(kept or scratch), Path(against))])
    return _run(path, targets, options)


def _taken(name: str, options: Sequence[str]) -> tuple[str | None, list[str]]:
    """The value of an option, written in either way, and the options without it."""
    value, rest = None, []
    words = iter(options)
    for word in words:
        if word == name:
            value = next(words, None)
            if value is None:
                raise UsageError(f"{name} needs a folder")
        elif word.startswith(f"{name}="):
            value = word.partition("=")[2]
        else:
            rest.append(word)
    return value, rest


def _compare(ours: Path, theirs: Path) -> ExitCode:
    """Print where the recordings of the same tests differ; FAILED where any do."""
    import typer

    from .recording.comparison import differences
    from .recording.store import load

    code = ExitCode.OK
    for path in sorted(ours.glob("*.jsonl")):
        other = theirs / path.name
        if not other.is_file():
            typer.echo(f"{path.stem}: no recording there")
            code = ExitCode.FAILED
            continue
        found = differences(load(path), load(other))
        for difference in found:
            typer.echo(f"{path.stem}: {difference}")
            code = ExitCode.FAILED
        if not found:
            typer.echo(f"{path.stem}: the same")
    return code


def _run(path: Path, targets: Sequence[str], options: Sequence[str]) -> ExitCode:
    import pytest

    folder = suites_folder()
    arguments = [*(targets or [str(folder)]), *options, "--bench", str(path)]
    # Errors of ours are outcomes of tests, so warnings of other people's configuration must not decide.
    arguments += ["--rootdir", str(folder), "-c", str(folder / "pytest.ini"), "-p", "no:cacheprovider"]
    # This process has loaded the plugin already; there is no assertion in it to rewrite.
    arguments += ["-W", "ignore::pytest.PytestAssertRewriteWarning"]
    # pyserial 3.5 starts its reader over RFC 2217 the old way.
    for name in ("setDaemon", "setName"):
        arguments += ["-W", f"ignore:{name}() is deprecated:DeprecationWarning"]
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
