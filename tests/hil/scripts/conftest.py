"""What tests of scripts share: libgpiod's tools, and Python's gpiod where a sandboxed script finds it."""

from __future__ import annotations

import importlib.util
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from hil.scripts.sandbox import ENVIRONMENT

# Which distribution has which generation of libgpiod's tools in its package gpiod.
HAVE = {1: "Debian 12", 2: "Debian 13"}


@pytest.fixture(params=HAVE, ids=lambda generation: f"generation {generation}")
def tools(request: pytest.FixtureRequest) -> list[str]:
    """The variable by which a script finds the tools of one generation, wherever on the path they are."""
    for folder in f"{ENVIRONMENT['PATH']}:{os.environ['PATH']}".split(":"):
        gpioset = Path(folder, "gpioset")
        if gpioset.is_file():
            said = subprocess.run([gpioset, "--version"], check=True, capture_output=True, text=True).stdout
            if f"v{request.param}." in said.splitlines()[0]:
                return [f"PATH={folder}:{ENVIRONMENT['PATH']}"]
    has = HAVE[request.param]
    pytest.skip(f"no gpioset of libgpiod {request.param} on the path ({has} has it in its package gpiod)")


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
