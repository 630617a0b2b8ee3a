"""The processes that run scripts for others are this program, wherever they are started."""

from __future__ import annotations

from pathlib import Path

import pytest

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
