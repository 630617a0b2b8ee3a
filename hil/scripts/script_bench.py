"""The bench that a script finds in its sandbox."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.bench.served import ServedBench

from .sandbox import ENVIRONMENT, FIRST_PID, MODULE_PTYS

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from hil.bench.files import BenchDescription
    from simulator.edges.host_mounts import HostMounts


def script_bench(
    description: BenchDescription,
    folder: Path,
    mounts: HostMounts,
    *,
    factor: float | None,
    environment: Mapping[str, str],
) -> ServedBench:
    """Serve the bench of *description* in *folder* and *mounts*, at its beginning, for a script whose
    environment has *environment* beside our own; *factor* None is virtual pace.
    """
    return ServedBench(
        description,
        folder,
        factor=factor,
        keep_events=True,
        pinned=_pinned(environment),
        ptys=MODULE_PTYS,
        mounts=mounts,
    )


def _pinned(environment: Mapping[str, str]) -> dict[str, str | int]:
    """What is the same in each run with *environment*, for the recording's head."""
    return {
        "hash_seed": int(ENVIRONMENT["PYTHONHASHSEED"]),
        "locale": ENVIRONMENT["LC_ALL"],
        "environment": ",".join(sorted({**ENVIRONMENT, **environment})),
        "first_pid": FIRST_PID,
    }
