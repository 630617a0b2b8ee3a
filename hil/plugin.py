"""The pytest plugin: a bench for each test, its recording, and outcomes told apart.

Loaded by pytest through its entry point; imports nothing heavy until a bench is asked for.
"""

from __future__ import annotations

import itertools
import re
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import pytest

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator

    from .bench.files import BenchDescription
    from .bench.hardware.station import Station
    from .bench.interface import Bench
    from .measure import Measure
    from .modem import Modem
    from .recording.query import Recording
    from .scripts.kept import KeptScripts
    from .scripts.runner import ScriptRun

_SELECT: Final = "select a bench with --bench FILE"
_LAST_EVENTS: Final = 5
_BENCH_KEY: Final = pytest.StashKey["Bench"]()
_OUTCOME_KEY: Final = pytest.StashKey[str]()
_DESCRIPTION_KEY: Final = pytest.StashKey[Any]()


def pytest_addoption(parser: pytest.Parser) -> None:
    """The options of `wakebench test`."""
    group = parser.getgroup("wakebench")
    group.addoption("--bench", metavar="FILE", help="bench file that the suites run on")
    group.addoption("--recordings", metavar="DIR", help="keep the recording of each test in this folder")
    group.addoption(
        "--pace",
        metavar="PACE",
        default="virtual",
        help="virtual (default), real, or a factor such as x10; simulated benches only",
    )
    group.addoption(
        "--ports",
        choices=("pty", "memory"),
        default="pty",
        help="simulated ports on ptys (default) or in memory",
    )
    group.addoption(
        "--wait",
        metavar="SECONDS",
        type=float,
        default=0.0,
        help="wait so long for whoever else uses a hardware bench",
    )


def pytest_configure(config: pytest.Config) -> None:
    """Register the marker and check the options, before any test runs."""
    config.addinivalue_line(
        "markers",
        "needs(*parts): skip where the bench lacks one of the parts, such as 'header:power_key' or 'supply'",
    )
    if config.getoption("bench"):
        from .bench.files import load_bench
        from .bench.shipped import find_bench
        from .errors import UsageError
        from .pace import parse_pace

        try:
            description = load_bench(find_bench(config.getoption("bench")))
            parse_pace(config.getoption("pace"))
            _check_hardware(config, description)
        except UsageError as error:
            raise pytest.UsageError(str(error)) from error
        config.stash[_DESCRIPTION_KEY] = description


def _check_hardware(config: pytest.Config, description: BenchDescription) -> None:
    """What a hardware bench cannot do: raises UsageError."""
    from .errors import UsageError

    if description.file.bench.kind != "hardware":
        return
    if getattr(config.option, "numprocesses", None) or hasattr(config, "workerinput"):
        raise UsageError("-n: found several workers; allowed: none, a hardware bench has one user at a time")
    if config.getoption("pace") not in ("virtual", "real"):
        raise UsageError("--pace: found a factor; allowed: real, on a hardware bench")


@pytest.fixture(scope="session")
def _station(request: pytest.FixtureRequest) -> Iterator[Station | None]:
    """The hardware, held for the whole session; None where the bench is a simulated one."""
    description = request.config.stash.get(_DESCRIPTION_KEY, None)
    if description is None or description.file.bench.kind != "hardware":
        yield None
        return
    from .bench.hardware.station import Station
    from .interruption import interrupted_by_signals

    # Whoever ends this process ends it so that the key is released.
    with interrupted_by_signals():
        found = Station(description, wait_s=request.config.getoption("wait"))
        try:
            yield found
        finally:
            found.close()


@pytest.fixture
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    """The bench, as its file starts it; closed and recorded at the end."""
    from .recording.store import RecordingFile

    config = request.config
    description = config.stash.get(_DESCRIPTION_KEY, None)
    if description is None:
        pytest.skip(_SELECT)
    found = _opened(request, description)
    try:
        _skip_where_lacking(request, found)
        lane = _lane(request)
        request.node.stash[_BENCH_KEY] = found
        found.note(lane, "start")
        yield found
        found.note(lane, "end", outcome=request.node.stash.get(_OUTCOME_KEY, "failed"))
    finally:
        found.close()
        folder = config.getoption("recordings")
        if folder:
            path = Path(folder)
            path.mkdir(parents=True, exist_ok=True)
            recording = found.recording
            file = RecordingFile(path / f"{_file_name(request.node.nodeid)}.jsonl", recording.head)
            file.add(recording)
            file.close()


def _opened(request: pytest.FixtureRequest, description: BenchDescription) -> Bench:
    """A bench for one test, in the state that its file says."""
    config = request.config
    station = request.getfixturevalue("_station")
    if station is None:
        from .bench.simulated.bench import SimulatedBench
        from .pace import parse_pace

        factor = parse_pace(config.getoption("pace"))
        return SimulatedBench(description, factor=factor, ports=config.getoption("ports"))
    from .bench.hardware.bench import HardwareBench
    from .bench.hardware.start import bring_to_start

    # What the bench lacks is known before anything is moved.
    look = HardwareBench(station)
    try:
        _skip_where_lacking(request, look)
    finally:
        look.close()
    return HardwareBench(station, start_state=bring_to_start(station))


def _skip_where_lacking(request: pytest.FixtureRequest, bench: Bench) -> None:
    for marker in request.node.iter_markers("needs"):
        for part in marker.args:
            if part not in bench.parts:
                pytest.skip(f"bench {bench.name} lacks {part}")


@pytest.fixture
def modem(bench: Bench) -> Iterator[Modem]:
    """The modem on the bench, spoken to on its AT port."""
    from .modem import Modem

    found = Modem(bench)
    yield found
    found.close()


@pytest.fixture
def recording(bench: Bench) -> Recording:
    """The recording of this test so far; ask again for what has happened since."""
    return bench.recording


@pytest.fixture
def measure(bench: Bench, request: pytest.FixtureRequest) -> Measure:
    """Record and judge a quantity: measure("start press", 0.58, "s", low=0.52, high=0.64)."""
    from .measure import Measure

    return Measure(bench, _lane(request))


@pytest.fixture(scope="session")
def _kept_scripts() -> Iterator[KeptScripts]:
    """One place for all scripts of a session, or of one worker of it."""
    from .scripts.kept import KeptScripts

    with KeptScripts() as kept:
        yield kept


@pytest.fixture
def script(request: pytest.FixtureRequest, _kept_scripts: KeptScripts) -> Callable[..., ScriptRun]:
    """Run a script on the bench at virtual pace: script("./bring_up.sh").status, .stdout, .recording.

    Each run starts the bench anew; arguments are the command's, options those of `KeptScripts.run`.
    """
    config = request.config
    description = config.stash.get(_DESCRIPTION_KEY, None)
    if description is None:
        pytest.skip(_SELECT)
    if description.file.bench.kind == "hardware":
        return _script_on_host(request)
    folder, count = config.getoption("recordings"), itertools.count(1)

    def run(*command: str | Path, **options: Any) -> ScriptRun:  # noqa: ANN401 # those of KeptScripts.run
        if folder:
            Path(folder).mkdir(parents=True, exist_ok=True)
            name = f"{_file_name(request.node.nodeid)}-script-{next(count)}.jsonl"
            options.setdefault("recording_path", Path(folder) / name)
        return _kept_scripts.run(command, bench=description.path, **options)

    return run


def _script_on_host(request: pytest.FixtureRequest) -> Callable[..., ScriptRun]:
    """The same on the host of a hardware bench, past the guards: the bench file has to allow it."""
    from .bench.hardware.bench import HardwareBench
    from .bench.hardware.start import bring_to_start
    from .scripts.on_host import run_on_host

    station = request.getfixturevalue("_station")

    def run(*command: str, **options: Any) -> ScriptRun:  # noqa: ANN401 # those of run_on_host
        bring_to_start(station)
        bench = HardwareBench(station)
        request.node.stash[_BENCH_KEY] = bench
        try:
            return run_on_host(bench, command, **options)
        finally:
            bench.close()

    return run


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(
    item: pytest.Item, call: pytest.CallInfo[None]
) -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Say whose fault a failure is, and show what was last seen on every lane."""
    report = yield
    if call.excinfo is not None and report.outcome == "failed":
        from .exit_codes import of_error

        report.wakebench_code = int(of_error(call.excinfo.value))  # type: ignore[attr-defined] # travels with the report
        description = item.config.stash.get(_DESCRIPTION_KEY, None)
        if description is not None and description.file.bench.kind == "hardware":
            _judge_on_hardware(item, report, call.excinfo.value)
        found = item.stash.get(_BENCH_KEY, None)
        if found is not None:
            report.sections.append(("last events of every lane", _last_events(found.recording)))
    if report.when == "call":
        _judge_where_late(item, report)
    if report.when == "call" or report.outcome != "passed":
        code = getattr(report, "wakebench_code", 0)
        item.stash[_OUTCOME_KEY] = _word_of(code) or str(report.outcome)
    return report


def _word_of(code: int) -> str | None:
    """What is neither passed nor failed, by its exit code."""
    return {4: "inconclusive", 3: "bench broken"}.get(code)


def _judge_where_late(item: pytest.Item, report: pytest.TestReport) -> None:
    """A test on a machine that was late beyond hope has neither passed nor failed."""
    from .errors import LateRunError
    from .exit_codes import ExitCode
    from .lateness import HOPELESS_S

    found = item.stash.get(_BENCH_KEY, None)
    late_s = 0.0 if found is None else found.clock.late_s()
    is_verdict = report.passed or getattr(report, "wakebench_code", None) == ExitCode.FAILED
    if is_verdict and late_s > HOPELESS_S:
        report.outcome = "failed"
        report.wakebench_code = int(ExitCode.INCONCLUSIVE)  # type: ignore[attr-defined] # travels with the report
        report.longrepr = str(LateRunError(late_s=late_s, allowed_s=HOPELESS_S))


def _judge_on_hardware(item: pytest.Item, report: pytest.TestReport, error: BaseException) -> None:
    """A part that turns out to be missing skips the test; one that is broken ends the run."""
    from .errors import BenchError, PartMissingError

    if isinstance(error, PartMissingError):
        path, line, _ = item.location
        report.outcome, report.longrepr = "skipped", (path, line or 0, f"Skipped: {error}")
    elif isinstance(error, BenchError):
        item.session.shouldstop = str(error)


def pytest_report_teststatus(report: pytest.TestReport) -> tuple[str, str, str] | None:
    """Inconclusive and bench failures look like neither a pass nor a failed product."""
    code = getattr(report, "wakebench_code", None)
    if report.outcome != "failed" or code is None:
        return None
    word = _word_of(code)
    return None if word is None else (word, word[0].upper(), word.upper())


def pytest_terminal_summary(terminalreporter: Any) -> None:  # noqa: ANN401 # pytest's own class is private
    """Show the reasons of what pytest's summary does not know."""
    for category in ("inconclusive", "bench broken"):
        reports = terminalreporter.stats.get(category, [])
        if not reports:
            continue
        terminalreporter.section(category)
        for report in reports:
            terminalreporter.write_line(f"{category.upper()} {report.nodeid}")
            terminalreporter.write_line(f"  {_reason(report)}")
            for title, text in report.sections:
                terminalreporter.write_line(f"  -- {title} --")
                terminalreporter.write_line(text)


@pytest.hookimpl(trylast=True)
def pytest_runtest_logreport(report: pytest.TestReport) -> None:
    """In JUnit, what is inconclusive or the bench's fault is an error with that word, not a failure."""
    word = _word_of(getattr(report, "wakebench_code", 0))
    if word is None or _JUNIT.xml is None:
        return
    reporter = _JUNIT.xml.node_reporter(report)
    for node in reporter.nodes:
        if node.tag in ("failure", "error") and not node.get("message", "").startswith(word):
            if node.tag == "failure":
                _JUNIT.xml.stats["failure"] -= 1
                _JUNIT.xml.stats["error"] += 1
            node.tag = "error"
            node.set("message", f"{word}: {_reason(report)}")


class _Junit:
    """pytest's writer of JUnit files in this session, if any."""

    xml: Any = None


_JUNIT: Final = _Junit()


def pytest_sessionstart(session: pytest.Session) -> None:
    """Find the JUnit writer: it is registered without a name."""
    plugins = session.config.pluginmanager.get_plugins()
    _JUNIT.xml = next((plugin for plugin in plugins if type(plugin).__name__ == "LogXML"), None)


def _reason(report: pytest.TestReport) -> str:
    crash = getattr(report.longrepr, "reprcrash", None)
    return str(crash.message if crash is not None else report.longrepr).splitlines()[0]


def _lane(request: pytest.FixtureRequest) -> str:
    return f"suite/{request.node.name}"


def _file_name(node_id: str) -> str:
    return re.sub(r"[^A-Za-z0-9._-]+", "_", node_id.replace(".py::", "-")).strip("_")


def _last_events(recording: Recording) -> str:
    from simulator.kernel.recorder import encode

    lines: list[str] = []
    for lane, events in recording.last(_LAST_EVENTS).items():
        lines.append(f"{lane}:")
        lines += [f"  {encode(event)}" for event in events]
    return "\n".join(lines)
