"""What a killed run left mounted does not fail the next."""

from __future__ import annotations

import os
from pathlib import Path

from simulator.edges.fuse_file import FuseFile
from simulator.edges.gpio_tree import gpio_tree
from simulator.edges.header_files import HeaderFiles

from .conftest import Build
from .dead_mounts import take_dead_mounts_away


def test_a_mount_that_nobody_serves_goes(tmp_path: Path) -> None:
    FuseFile(tmp_path / "kmsg").abort()

    assert take_dead_mounts_away(tmp_path) == [tmp_path / "kmsg"]
    assert (tmp_path / "kmsg").read_bytes() == b""


def test_a_mount_that_is_served_stays(build: Build, tmp_path: Path) -> None:
    files = HeaderFiles(gpio_tree(build().board.lines), tmp_path / "sys", run=lambda call: call())
    try:
        assert take_dead_mounts_away(tmp_path) == []
        assert os.path.ismount(tmp_path / "sys")
    finally:
        files.close()
