"""What is shipped, by name: profiles, wirings and the demo benches."""

from __future__ import annotations

from importlib.resources import files
from pathlib import Path
from typing import Literal

from hil.errors import UnknownNameError


def shipped(kind: Literal["profiles", "wirings"]) -> dict[str, Path]:
    """The shipped data files of one kind, by name."""
    folder = Path(str(files(f"simulator.{kind}")))
    return {path.stem: path for path in sorted(folder.glob("*.toml"))}


def benches_folder() -> Path | None:
    """Where the demo benches are: in a checkout or in the installed package."""
    package = Path(str(files("hil")))
    for candidate in (package / "suites" / "benches", package.parent / "suites" / "benches"):
        if candidate.is_dir():
            return candidate
    return None


def demo_benches() -> dict[str, Path]:
    """The demo benches by name."""
    folder = benches_folder()
    return {path.stem: path for path in sorted(folder.rglob("*.toml"))} if folder else {}


def find_bench(name: str) -> Path:
    """The bench file at a path, or a demo bench by its name."""
    path = Path(name)
    if path.suffix == ".toml" or "/" in name:
        return path
    known = demo_benches()
    if name not in known:
        raise UnknownNameError(kind="bench", name=name, known=known, hint="or give the path of a bench file")
    return known[name]
