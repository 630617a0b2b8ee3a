"""A stage that was made ahead and is never used: nothing of it runs, and nothing of it is left."""

from __future__ import annotations

import time
from pathlib import Path

import pytest

from hil.scripts.kept import KeptScripts


def running(token: str) -> list[str]:
    """The command lines of all processes that hold *token*."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            try:
                line = (entry / "cmdline").read_bytes()
            except OSError:  # it has gone meanwhile
                continue
            if token.encode() in line:
                found.append(line.decode(errors="replace"))
    return found


@pytest.mark.slow
def test_what_was_prepared_for_another_run_goes_with_those_who_prepared_it(tmp_path: Path) -> None:
    # A name of our own in the command line: other tests run scripts meanwhile.
    token = f"stage-of-{tmp_path.name}"
    with KeptScripts() as kept:
        for seconds in (1, 2, 3):
            # Let go without anybody who answers its calls, it would not sleep but go round for ever.
            script = f": {token}; sleep {seconds} || while :; do :; done"
            assert kept.run(["sh", "-c", script], bench="already-on", folder=tmp_path).status == 0
            time.sleep(0.5)  # the next one stands ready

    assert running(token) == []
