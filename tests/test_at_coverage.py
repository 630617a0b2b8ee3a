"""The table of commands in simulator/README.md is true, and so is the example in DEVELOPERS.md."""

from __future__ import annotations

import importlib.util
import inspect
import re
from pathlib import Path
from types import ModuleType

import pytest

from simulator.at.registry import COMMANDS

TOP = Path(__file__).parent.parent


@pytest.fixture
def coverage() -> ModuleType:
    """ci/at_coverage.py, loaded from its file."""
    spec = importlib.util.spec_from_file_location("at_coverage", TOP / "ci" / "at_coverage.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def test_the_table_is_true_and_names_every_command_of_its_chapters(coverage: ModuleType) -> None:
    assert coverage.faults() == []
    assert len({(entry.standard, entry.clause, entry.name) for entry in coverage.ENTRIES}) == len(
        coverage.ENTRIES
    )


def test_the_readme_holds_the_table_of_today(coverage: ModuleType) -> None:
    text = (TOP / "simulator" / "README.md").read_text(encoding="utf-8")

    assert coverage.with_table(text) == text, "run python ci/at_coverage.py --write"


def test_a_command_that_is_missing_from_the_table_is_found(
    coverage: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(coverage, "ENTRIES", [entry for entry in coverage.ENTRIES if entry.name != "+CMEE"])

    assert coverage.faults() == ["+CMEE: not in the table"]


def test_the_guide_s_example_of_a_command_is_the_code_and_the_data() -> None:
    guide = (TOP / "DEVELOPERS.md").read_text(encoding="utf-8")
    code, data = (
        next(
            text
            for text in re.findall(rf"^```{language}\n(.*?)^```", guide, re.MULTILINE | re.DOTALL)
            if "+CMEE" in text
        )
        for language in ("python", "text")
    )
    declared = COMMANDS.get("+CMEE")
    assert declared is not None
    file = Path(inspect.getsourcefile(declared.handler) or "").read_text(encoding="utf-8")
    exchanges = (TOP / "tests/simulator/at/commands/test_exchanges.py").read_text(encoding="utf-8")

    assert code.replace('"3GPP TS 27.007"', "_TS27007") in file
    assert data.strip() in exchanges
