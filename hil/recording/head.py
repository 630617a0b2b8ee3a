"""The first line of a recording: everything that could make two runs differ, pinned."""

from __future__ import annotations

import json
from functools import cache
from importlib.metadata import PackageNotFoundError, version
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from collections.abc import Mapping

    from hil.bench.files import BenchDescription

FORMAT: Final = 1
_VERSIONED: Final = ("wakebench", "pydantic", "pyserial", "transitions")


def head(
    description: BenchDescription, *, pace: str, pinned: Mapping[str, Any] | None = None
) -> dict[str, Any]:
    """The head of a run on *description* at *pace* (`virtual`, `real` or a factor such as `x10`)."""
    file = description.file
    return {
        "wakebench": FORMAT,
        "kind": file.bench.kind,
        "bench": str(description.contents["bench"]),
        "profile": str(description.contents["profile"]),
        "wiring": str(description.contents["wiring"]),
        "seed": file.bench.seed,
        "pace": pace,
        "start_time": file.bench.start_time.isoformat().replace("+00:00", "Z"),
        "pinned": dict(pinned) if pinned is not None else None,
        "versions": {name: _version(name) for name in _VERSIONED},
    }


def encode_head(head: Mapping[str, Any]) -> str:
    """The head as one JSON line without its line end."""
    return json.dumps(head, ensure_ascii=True)


@cache  # reading them takes as long as a short script
def _version(distribution: str) -> str:
    try:
        return version(distribution)
    except PackageNotFoundError:
        return "not installed"
