"""The pytest plugin, run inside pytest: fixtures, skips, outcomes, recordings, xdist."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from hil.recording.store import load

BENCH = str(Path(__file__).parents[2] / "suites/benches/gauge-station.toml")


@pytest.fixture
def inner(pytester: pytest.Pytester) -> pytest.Pytester:
    """A folder with one suite in which everything happens."""
    pytester.makepyfile(
        test_inner="""
        import pytest
        from hil.errors import BenchUnfitError, Inconclusive, ProductError

        def test_passes(bench, modem, measure):
            modem.make_ready()
            measure("boot", bench.clock.now_s(), "s", low=1, high=60)

        def test_fails(modem):
            modem.make_ready()
            modem.command("AT+NOSUCH")

        @pytest.mark.needs("header:status")
        def test_needs(bench):
            raise AssertionError("never runs")

        def test_inconclusive(bench):
            raise Inconclusive("neither can be said")

        def test_bench(bench):
            raise BenchUnfitError(part="supply", reason="no answer", cure="switch it on")

        def test_limits(measure):
            measure("level", 3.0, "V", high=2.5)
        """
    )
    return pytester


def run(inner: pytest.Pytester, *arguments: str) -> pytest.RunResult:
    return inner.runpytest_subprocess("-p", "no:cacheprovider", "-W", "error", *arguments)


def test_without_a_bench_tests_skip_and_say_which_option_selects_one(inner: pytest.Pytester) -> None:
    result = run(inner, "-rs")

    result.assert_outcomes(skipped=6)
    result.stdout.fnmatch_lines(["*select a bench with --bench FILE*"])


def test_outcomes_look_different_and_the_reasons_are_shown(inner: pytest.Pytester) -> None:
    result = run(inner, "--bench", BENCH, "-ra")
    text = result.stdout.str()

    assert "2 failed" in text
    assert "1 passed" in text
    assert "1 skipped" in text
    assert "1 inconclusive" in text
    assert "1 bench broken" in text
    result.stdout.fnmatch_lines(
        [
            "*'AT+NOSUCH' was answered with 'ERROR' instead of 'OK'*",
            "INCONCLUSIVE *test_inconclusive",
            "*neither can be said*",
            "BENCH BROKEN *test_bench",
            "*supply: no answer; switch it on*",
            "*bench gauge-station lacks header:status*",
        ],
        consecutive=False,
    )
    assert "level is 3 V, expected level <= 2.5 V" in text


def test_a_failure_shows_the_last_events_of_every_lane(inner: pytest.Pytester) -> None:
    result = run(inner, "--bench", BENCH, "-k", "test_fails")

    result.stdout.fnmatch_lines(["*last events of every lane*", "port/at:", '*"text": "AT+NOSUCH?r"*'])
    assert "module/power:" in result.stdout.str()


def test_in_junit_inconclusive_and_bench_are_errors_with_that_word(inner: pytest.Pytester) -> None:
    run(inner, "--bench", BENCH, "--junitxml", "out.xml")
    suite = ET.parse(inner.path / "out.xml").getroot()[0]  # noqa: S314 # our own file
    cases = {case.get("name"): case for case in suite.iter("testcase")}

    assert (suite.get("failures"), suite.get("errors"), suite.get("skipped")) == ("2", "2", "1")
    for name, word in (("test_inconclusive", "inconclusive"), ("test_bench", "bench broken")):
        [error] = cases[name].findall("error")
        assert (error.get("message") or "").startswith(word)
    assert cases["test_fails"].find("failure") is not None


def test_recordings_are_kept_by_test_with_start_quantity_and_end(inner: pytest.Pytester) -> None:
    run(inner, "--bench", BENCH, "--recordings", "kept", "-k", "passes or limits")
    recording = load(inner.path / "kept" / "test_inner-test_passes.jsonl")
    whats = [event.what for event in recording.on("suite/test_passes")]

    assert whats == ["start", "quantity", "end"]
    assert recording.on("suite/test_passes", "quantity")[0].more["unit"] == "s"
    assert (inner.path / "kept" / "test_inner-test_limits.jsonl").exists()


def test_with_xdist_the_recordings_are_the_same(inner: pytest.Pytester) -> None:
    for folder, workers in (("one", "0"), ("two", "2")):
        run(inner, "--bench", BENCH, "--recordings", folder, "-n", workers)
    one = {path.name: path.read_bytes() for path in (inner.path / "one").iterdir()}
    two = {path.name: path.read_bytes() for path in (inner.path / "two").iterdir()}

    assert one == two
    assert len(one) >= 5


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--bench", "no.toml"), "no.toml: no such file; expected a bench file"),
        (("--bench", "nosuch"), "unknown bench 'nosuch'"),
        (("--bench", BENCH, "--pace", "fast"), "pace: found 'fast'"),
    ],
)
def test_wrong_options_end_before_any_test(
    inner: pytest.Pytester, arguments: tuple[str, ...], message: str
) -> None:
    result = run(inner, *arguments)

    assert result.ret == 4
    assert message in result.stderr.str()


def test_a_timing_in_a_late_run_is_inconclusive_and_never_passed(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        import time

        def test_late(bench, measure):
            bench.model.timeline.call_in(1_000_000, lambda: None)
            time.sleep(0.1)
            bench.clock.wait(0.01)
            measure("something", 0.1, "s", low=0, high=1)
        """
    )
    result = run(pytester, "--bench", BENCH, "--pace", "real")

    assert "1 inconclusive" in result.stdout.str()
    assert "repeat it on a quieter machine" in result.stdout.str()


def test_a_test_on_a_machine_that_was_late_beyond_hope_has_no_verdict(pytester: pytest.Pytester) -> None:
    pytester.makepyfile(
        """
        import time

        def starve(bench):
            bench.model.timeline.call_in(1_000_000, lambda: None)
            time.sleep(1.1)
            bench.clock.wait(0.01)

        def test_passes(bench):
            starve(bench)

        def test_fails(bench):
            starve(bench)
            assert False
        """
    )
    result = run(pytester, "--bench", BENCH, "--pace", "real")

    assert "2 inconclusive" in result.stdout.str()
    assert "passed" not in result.stdout.str()
