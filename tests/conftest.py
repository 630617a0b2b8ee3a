"""What tests share: demo benches with changes, and an eye on what they leave open."""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hil.bench.files import BenchDescription, load_bench
from hil.bench.shipped import find_bench
from simulator.model import Model

from .dead_mounts import take_dead_mounts_away

pytest_plugins = ["pytester"]


# What a test must not leave behind; regular files and pytest's own pipes do not matter here.
_WATCHED = (
    *("/dev/ptmx", "/dev/pts/", "anon_inode:inotify", "anon_inode:[eventfd]", "anon_inode:[pidfd]"),
    *("anon_inode:seccomp notify", "/dev/fuse"),
)

Describe = Callable[..., BenchDescription]
Build = Callable[..., Model]


def _open_now() -> list[str]:
    found = []
    for descriptor in Path("/proc/self/fd").iterdir():
        try:
            target = str(descriptor.readlink())
        except OSError:  # the one that lists them
            continue
        if target.startswith(_WATCHED):
            found.append(target)
    return sorted(found)


def pytest_sessionstart() -> None:
    """pytest removes the folders of former runs, and cannot where one that was killed left a mount."""
    take_dead_mounts_away(Path(tempfile.gettempdir()))


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """What a late machine has timed says nothing: such a test is run again, as its users are told."""
    late = pytest.mark.flaky(reruns=4, reruns_delay=2, only_rerun=["^LateRunError:", "^UndecidedError:"])
    for item in items:
        item.add_marker(late)


@pytest.fixture(autouse=True)
def nothing_is_left_open() -> Iterator[None]:
    """A test that leaves a port, a watch or a wake-up open fails."""
    before = _open_now()
    yield
    assert _open_now() == before


@pytest.fixture
def describe(monkeypatch: pytest.MonkeyPatch) -> Describe:
    """Read a demo bench with changes: describe("upper-station", start={"module": "ready"})."""
    monkeypatch.delenv("CARD_PIN", raising=False)

    def describe(name: str = "gauge-station", **overrides: Any) -> BenchDescription:  # noqa: ANN401 # any table
        return load_bench(find_bench(name), overrides)

    return describe


@pytest.fixture
def build(describe: Describe) -> Build:
    """Build and start the model of a demo bench with changes; its ports are in nobody's hands."""

    def build(name: str = "gauge-station", **overrides: Any) -> Model:  # noqa: ANN401 # any table
        model = Model(describe(name, **overrides).settings)
        model.start()
        return model

    return build
