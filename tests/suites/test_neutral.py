"""Nothing in a suite knows which kind of bench it runs on."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

SUITES = sorted((Path(__file__).parents[2] / "suites").glob("*.py"))

# What would tell the two kinds apart, or reach behind the bench.
GIVEAWAYS = re.compile(
    r"\b(simulated|simulator|hardware|kind|(?<!identity\.)model|drivers?|virtual|pace|pty|wall)\b"
    r"|\.description\b|(?<!self)\._[a-z]"
)
# Only for people who read types; nothing of it is there when a suite runs.
FOR_TYPES = {
    "hil.bench.interface",
    "hil.measure",
    "hil.messages",
    "hil.modem",
    "hil.recording.query",
    "hil.verbatim",
    "simulator.module.profile",
}
# What a suite may use beyond the standard library.
ALLOWED = {"pytest", "hil.errors", "hil.deadline", "hil.dialogue.dialogue", "hil.verbatim", "hil.modem"}


def code_of(path: Path) -> str:
    """The statements, without comments and docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for node in ast.walk(tree):
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef) and ast.get_docstring(node):
            node.body[0] = ast.Pass()
        if isinstance(node, ast.Module):
            node.body = [one for one in node.body if not isinstance(one, ast.ImportFrom | ast.Import)]
    return ast.unparse(tree)


def imports(path: Path) -> list[tuple[str, bool]]:
    """Every module that is imported, and whether for types only."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    for_types = {
        id(node)
        for block in ast.walk(tree)
        if isinstance(block, ast.If) and ast.unparse(block.test) == "TYPE_CHECKING"
        for node in ast.walk(block)
    }
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and node.module:
            found.append((node.module, id(node) in for_types))
        elif isinstance(node, ast.Import):
            found += [(alias.name, id(node) in for_types) for alias in node.names]
    return found


@pytest.mark.parametrize("path", SUITES, ids=lambda path: path.stem)
def test_a_suite_says_nothing_of_the_kind_of_bench(path: Path) -> None:
    without_texts = [re.sub(r"'[^']*'|\"[^\"]*\"", "", line) for line in code_of(path).splitlines()]
    told = [line for line in without_texts if GIVEAWAYS.search(line)]

    assert told == []


@pytest.mark.parametrize("path", SUITES, ids=lambda path: path.stem)
def test_a_suite_uses_nothing_that_only_one_kind_has(path: Path) -> None:
    ours = ("hil", "simulator", "pytest")
    used = {name for name, for_types in imports(path) if name.split(".")[0] in ours and not for_types}
    typed = {name for name, for_types in imports(path) if name.split(".")[0] in ours and for_types}

    assert used <= ALLOWED
    assert typed <= FOR_TYPES | ALLOWED


def test_there_are_suites_to_look_at() -> None:
    assert len(SUITES) > 10
