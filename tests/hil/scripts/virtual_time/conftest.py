"""A kept place to run programs in, at virtual pace."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING, Any

import pytest

from hil.scripts.kept import KeptScripts

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path

    from hil.scripts.runner import ScriptRun


@pytest.fixture(scope="session")
def kept() -> Iterator[KeptScripts]:
    """One for all tests of a worker."""
    with KeptScripts() as place:
        yield place


@pytest.fixture
def run(kept: KeptScripts, tmp_path: Path) -> Callable[..., ScriptRun]:
    """Run a program's text: run("sh", "sleep 1"), run("python3", "..."), on a module that is on."""

    def run(interpreter: str, text: str, *arguments: str, **options: Any) -> ScriptRun:  # noqa: ANN401 # of KeptScripts.run
        (tmp_path / "program").write_text(textwrap.dedent(text))
        options = {"bench": "already-on", "folder": tmp_path, **options}
        return kept.run([interpreter, "program", *arguments], **options)

    return run
