"""What makes a bench runner: the scripts, the unit, the rules, the templates."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from check_jsonschema.catalog import SCHEMA_CATALOG  # type: ignore[import-untyped] # it has no types

TOP = Path(__file__).parents[2]
RUNNER = TOP / "ci" / "runner"


def program(name: str) -> str:
    found = shutil.which(name)
    assert found is not None, f"{name} is missing: run ci/setup"
    return found


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Where the installer has put its files."""
    subprocess.run([RUNNER / "install", "--root", tmp_path], check=True)
    return tmp_path


@pytest.mark.parametrize("script", ["install", "run-bench"])
def test_a_script_is_a_shell_script(script: str) -> None:
    subprocess.run([program("sh"), "-n", RUNNER / script], check=True)


def test_the_installer_puts_everything_where_the_unit_looks_for_it(root: Path) -> None:
    modes = {
        str(path.relative_to(root)): path.stat().st_mode & 0o777 for path in root.rglob("*") if path.is_file()
    }

    assert modes == {
        "opt/wakebench/runner/run-bench": 0o755,
        "opt/wakebench/runner/README.md": 0o644,
        "etc/systemd/system/wakebench-bench@.service": 0o644,
        "etc/systemd/system/wakebench-bench@.timer": 0o644,
        "etc/udev/rules.d/70-wakebench.rules": 0o644,
    }
    assert (root / "etc/wakebench").is_dir()


@pytest.mark.parametrize("arguments", [("--root",), ("elsewhere",)])
def test_a_wrong_use_of_the_installer_changes_nothing(arguments: tuple[str, ...]) -> None:
    result = subprocess.run(
        [RUNNER / "install", *arguments], check=False, capture_output=True, text=True, timeout=10
    )

    assert result.returncode == 2
    assert result.stderr.startswith("usage: install")


@pytest.mark.slow
@pytest.mark.parametrize("unit", ["wakebench-bench@.service", "wakebench-bench@.timer"])
def test_systemd_finds_nothing_wrong_with_a_unit(root: Path, unit: str) -> None:
    command = [
        program("systemd-analyze"),
        "verify",
        f"--root={root}",
        "--man=no",
        f"/etc/systemd/system/{unit}",
    ]
    units = root / "usr/lib/systemd/system"
    units.mkdir(parents=True)
    for target in (
        *Path("/usr/lib/systemd/system").glob("*.target"),
        *Path("/usr/lib/systemd/system").glob("*.slice"),
    ):
        if target.is_file():
            shutil.copy(target, units)
    result = subprocess.run(command, check=False, capture_output=True, text=True, timeout=30)
    about_ours = [line for line in result.stderr.splitlines() if "wakebench" in line]

    assert about_ours == []


def validates(template: str, schema: str) -> bool:
    command = [
        program("check-jsonschema"),
        "--builtin-schema",
        f"vendor.{schema}",
        str(RUNNER / template),
    ]
    return subprocess.run(command, check=False, capture_output=True, timeout=60).returncode == 0


@pytest.mark.slow
@pytest.mark.parametrize(("template", "schemas"), [("workflow.yml", "-workflows"), ("pipeline.yml", "-ci")])
def test_a_template_is_accepted_by_the_schema_that_its_service_publishes(template: str, schemas: str) -> None:
    # check-jsonschema carries the published schemas of several services; the template is for one of them.
    accepted = [name for name in SCHEMA_CATALOG if name.endswith(schemas) and validates(template, name)]

    assert len(accepted) == 1


@pytest.mark.parametrize("template", ["workflow.yml", "pipeline.yml"])
def test_a_template_runs_the_shipped_script_keeps_results_and_tells_bench_trouble(template: str) -> None:
    text = (RUNNER / template).read_text(encoding="utf-8")

    assert "ci/runner/run-bench suites/benches/gauge-station.toml results" in text
    assert "/opt/wakebench/runner/run-bench /etc/wakebench/bench.toml results" in text
    assert re.search(r"- 3$|exit 3$", text, re.MULTILINE)


# udev(7): KEY OP "value", separated by commas; == and != match, the others assign.
_ITEM = r'[A-Z_]+(\{[^}]+\})?(==|!=|\+=|-=|:=|=)"[^"]*"'


def test_every_rule_matches_before_it_assigns() -> None:
    # No checker of rules is in the registries (udevadm verify came with a later systemd).
    lines = (RUNNER / "70-wakebench.rules").read_text(encoding="utf-8").splitlines()
    rules = [line for line in lines if line and not line.startswith("#")]

    assert len(rules) >= 6
    for rule in rules:
        assert re.fullmatch(rf"{_ITEM}(, {_ITEM})*", rule), rule
        operators = [found[0] for found in re.findall(r'(==|!=|\+=|:=|=)("[^"]*")', rule)]
        matching = [operator in ("==", "!=") for operator in operators]
        assert matching == sorted(matching, reverse=True), rule
        assert set(matching) == {True, False}, rule


def run_bench(*arguments: object) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [RUNNER / "run-bench", *map(str, arguments)],
        check=False,
        capture_output=True,
        text=True,
        timeout=120,
        cwd=TOP,
    )


def test_without_bench_and_folder_it_says_how_it_is_used() -> None:
    result = run_bench()

    assert result.returncode == 2
    assert result.stderr.startswith("usage: run-bench")


@pytest.mark.slow
def test_a_run_leaves_junit_and_recordings(tmp_path: Path) -> None:
    result = run_bench("suites/benches/gauge-station.toml", tmp_path, "formatting", "-q")

    assert result.returncode == 0, result.stdout + result.stderr
    assert (tmp_path / "junit.xml").read_text(encoding="utf-8").startswith("<?xml")
    assert len(list((tmp_path / "recordings").glob("*.jsonl"))) > 3
    assert not (tmp_path / "bench-trouble.txt").exists()


@pytest.mark.slow
def test_a_bench_that_is_unfit_is_bench_trouble_and_no_suite_runs(tmp_path: Path) -> None:
    bench = tmp_path / "lab.toml"
    bench.write_text(
        '[bench]\nbased_on = "gauge-station"\nname = "lab"\nkind = "hardware"\n'
        f'[drivers.lines."16"]\ndriver = "sysfs"\nnumber = 84\nroot = "{tmp_path}/nowhere"\n'
    )
    result = run_bench(bench, tmp_path / "results", "power_key")

    assert result.returncode == 3, result.stdout + result.stderr
    assert (tmp_path / "results" / "bench-trouble.txt").read_text().startswith("BENCH TROUBLE: ")
    assert "header pin 16" in (tmp_path / "results" / "precheck.txt").read_text()
    assert not (tmp_path / "results" / "junit.xml").exists()
