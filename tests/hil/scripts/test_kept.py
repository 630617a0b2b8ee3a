"""The processes that run scripts for others are this program, wherever they are started."""

from __future__ import annotations

from pathlib import Path

import pytest

from hil.errors import UsageError
from hil.scripts.kept import KeptScripts


@pytest.mark.slow
def test_a_folder_of_the_user_s_with_our_name_is_not_taken_for_ours(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "hil").mkdir()
    (tmp_path / "hil" / "__init__.py").write_text("raise RuntimeError('the user\\'s own')\n")
    (tmp_path / "simulator.py").write_text("raise RuntimeError('the user\\'s own')\n")
    monkeypatch.chdir(tmp_path)
    with KeptScripts() as kept:
        result = kept.run(["sh", "-c", "sleep 1; pwd"], bench="already-on")

    assert (result.status, result.stdout.decode()) == (0, f"{tmp_path}\n")


@pytest.mark.slow
def test_a_process_that_has_died_is_replaced_and_leaves_no_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    kept = KeptScripts()
    process = kept._places[0]._process
    process.kill()
    process.wait()
    status = kept.run(["true"], bench="already-on").status
    kept.close()

    assert status == 0
    assert [path for path in tmp_path.iterdir() if path.name.startswith("wakebench-")] == []


@pytest.mark.slow
def test_what_cannot_be_said_to_a_program_is_wrong_use_and_the_next_run_is_made() -> None:
    with KeptScripts() as kept:
        with pytest.raises(UsageError, match=r"command: found \['true'\]; allowed: the program and each"):
            kept.run([["true"]], bench="already-on")  # type: ignore[list-item] # the slip that is meant
        with pytest.raises(UsageError, match="allowed: words without NUL"):
            kept.run(["echo", "a\0b"], bench="already-on")
        with pytest.raises(UsageError, match="allowed: NAME=VALUE or NAME, without NUL"):
            kept.run(["true"], bench="already-on", environment=["A=\0"])

        assert kept.run(["true"], bench="already-on").status == 0
