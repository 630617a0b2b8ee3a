"""Every suite test can fail: red on a bench that is wrong in the one way it looks for."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from pathlib import Path

import pytest

TOP = Path(__file__).parents[2]


@pytest.mark.slow
def test_every_suite_test_is_red_on_its_wrong_bench() -> None:
    environment = {**os.environ, "PATH": f"{Path(sys.executable).parent}:{os.environ['PATH']}"}
    command = [sys.executable, "ci/sensitivity.py"]
    result = subprocess.run(
        command, cwd=TOP, env=environment, check=False, capture_output=True, text=True, timeout=400
    )

    assert result.returncode == 0, result.stdout + result.stderr
    assert re.search(r"^[1-9]\d\d+ rows, all as they should be$", result.stdout, re.MULTILINE)
