"""What the documents say works: every command in them is run.  The top of the tree is as it should be."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parent.parent
TOP_LEVEL = {"README.md", "DEVELOPERS.md", "pyproject.toml", "hil", "simulator", "suites", "tests", "ci"}
TOP_LEVEL |= {"LICENSE", "tox.ini"}

# Run elsewhere by the gate itself; what they do is what runs this very test.
RUN_BY_THE_GATE = ("ci/demo", "ci/test", "ci/nightly", "tox")

_FENCE = re.compile(r"^```(\w*)\n(.*?)^```", re.MULTILINE | re.DOTALL)


def tracked() -> list[str]:
    result = subprocess.run(["git", "ls-files"], cwd=TOP, check=True, capture_output=True, text=True)  # noqa: S607 # any git
    return result.stdout.splitlines()


def documents() -> list[Path]:
    return [TOP / name for name in tracked() if name.endswith(".md")]


def blocks(path: Path) -> list[str]:
    return [text for language, text in _FENCE.findall(path.read_text(encoding="utf-8")) if language == "sh"]


def test_the_top_of_the_tree_holds_nothing_else() -> None:
    names = {name.split("/")[0] for name in tracked()}

    assert {name for name in names if not name.startswith(".")} == TOP_LEVEL


def test_every_fence_has_a_language_that_is_known() -> None:
    for path in documents():
        for language, _ in _FENCE.findall(path.read_text(encoding="utf-8")):
            assert language in ("sh", "toml", "python", "text", "json"), f"{path}: {language!r}"


def test_the_readme_begins_with_the_job_and_then_two_commands() -> None:
    text = (TOP / "README.md").read_text(encoding="utf-8")
    title, job, *rest = [part for part in text.split("\n\n") if part]
    first_block = _FENCE.search(text)

    assert title == "# wakebench"
    assert not job.startswith("#")
    assert len(job) > 200
    assert rest
    assert first_block is not None
    assert first_block[2].split("\n")[:2] == ["ci/demo", "ci/test"]


RUNNABLE = [
    pytest.param(path, number, text, id=f"{path.relative_to(TOP)}-{number}")
    for path in documents()
    for number, text in enumerate(blocks(path))
    if not all(line.startswith(RUN_BY_THE_GATE) for line in text.splitlines())
]


@pytest.mark.slow
@pytest.mark.parametrize(("path", "number", "text"), RUNNABLE)
def test_every_command_of_the_documents_works_as_written(
    tmp_path: Path, path: Path, number: int, text: str
) -> None:
    del path, number
    copy = tmp_path / "checkout"
    for name in tracked():
        target = copy / name
        target.parent.mkdir(parents=True, exist_ok=True)
        shutil.copy2(TOP / name, target)
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    result = subprocess.run(
        ["sh", "-eu", "-c", text],  # noqa: S607 # any sh
        cwd=copy,
        env=environment,
        check=False,
        capture_output=True,
        text=True,
        timeout=240,
    )

    assert result.returncode == 0, f"{text}\n{result.stdout}\n{result.stderr}"
