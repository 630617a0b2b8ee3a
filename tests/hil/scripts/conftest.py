"""What tests of scripts share: Python's gpiod where a script in the sandbox finds it."""

from __future__ import annotations

import importlib.util
import shutil
import sys
from pathlib import Path

import pytest


@pytest.fixture(scope="session")
def python() -> str:
    """What sees the compiled part of gpiod: the interpreter of the tests, outside its environment."""
    return str(Path(sys.executable).resolve())


@pytest.fixture(scope="session")
def gpiod(tmp_path_factory: pytest.TempPathFactory) -> list[str]:
    """The variable by which a script finds Python's gpiod."""
    spec = importlib.util.find_spec("gpiod")
    assert spec is not None
    assert spec.origin is not None
    folder = tmp_path_factory.mktemp("packages")
    shutil.copytree(Path(spec.origin).parent, folder / "gpiod")
    return [f"PYTHONPATH={folder}"]
