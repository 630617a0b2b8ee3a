"""Where a command is going to run, at either pace: what both need of the machine."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.errors import BenchUnfitError
from hil.scripts import paced_stage, stage
from hil.scripts.paced_stage import PacedStage
from hil.scripts.stage import Stage
from simulator.edges.fuse_mount import NoFuseError


def no_fuse(*_: object, **__: object) -> None:
    raise NoFuseError("there is no /dev/fuse")


def test_where_there_can_be_no_mounts_the_bench_is_unfit_and_nothing_is_left(
    describe: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(tempfile, "tempdir", str(tmp_path))
    for module in (stage, paced_stage):
        monkeypatch.setattr(module, "HostMounts", no_fuse)

    with pytest.raises(BenchUnfitError, match="header files: there is no /dev/fuse; suites and"):
        Stage(["true"], tmp_path, {}, describe("already-on"))
    with pytest.raises(BenchUnfitError, match="header files: there is no /dev/fuse; suites and"):
        PacedStage(["true"], tmp_path, {}, describe("already-on"), 1.0)
    assert list(tmp_path.iterdir()) == []
