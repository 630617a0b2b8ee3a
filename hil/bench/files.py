"""Bench, profile and wiring files in, everything a bench is built from out.

A bench file names its profile and its wiring by a shipped name or by a path relative to itself.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from hashlib import sha256
from typing import TYPE_CHECKING, Any, Literal

from hil.errors import BadFileError, MissingFileError
from simulator.board.wiring import Wiring
from simulator.card.settings import CardSettings
from simulator.model import ModelSettings
from simulator.module.profile import Profile

from .consistency import check_circuit, check_ports, check_schedule, positions_of
from .hardware_files import PartSpec, parts_of
from .sections import BenchFile, CardSection, FromEnvironment, ReworkSection
from .shipped import demo_benches, shipped
from .toml import check, read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path


@dataclass(frozen=True, slots=True, kw_only=True)
class NamedContent:
    """A file by its own name and the hash of its content, as a recording's head states it."""

    name: str
    digest: str

    def __str__(self) -> str:
        """`name sha256:digest`, the digest's first 16 characters."""
        return f"{self.name} sha256:{self.digest[:16]}"


@dataclass(frozen=True, slots=True, kw_only=True)
class BenchDescription:
    """A bench file with what it names, read and checked.

    *profile* is what the module ought to be; that in *settings* is what the unit is.  *parts* are those of a
    hardware bench.
    """

    path: Path
    file: BenchFile
    profile: Profile
    settings: ModelSettings
    contents: Mapping[str, NamedContent]
    parts: tuple[PartSpec, ...] = ()
    # The files that were read, and what they held.
    sources: Mapping[Path, bytes] = field(default_factory=dict)


def load_bench(path: Path, overrides: Mapping[str, Any] | None = None) -> BenchDescription:
    """Read a bench file and what it names.

    *overrides* are merged into the file's tables first: {"start": {"module": "dead"}}.
    Raises BadFileError, MissingFileError or UnknownNameError.
    """
    sources: dict[Path, bytes] = {}
    data = _merged(_read_bench(path, wanted="a bench file", sources=sources), overrides or {})
    file = check(BenchFile, data, file=str(path))
    profile_path = _named_file("profiles", file.module.profile, near=path, key="module.profile")
    wiring_path = _named_file("wirings", file.board.wiring, near=path, key="board.wiring")
    profile_data = read_toml(profile_path, wanted="a profile", sources=sources)
    profile = check(Profile, profile_data, file=str(profile_path))
    unit = profile
    if file.module.unit:
        unit = check(Profile, _merged(profile_data, file.module.unit), file=str(path), under="module.unit")
    wiring_data = read_toml(wiring_path, wanted="a wiring", sources=sources)
    wiring = check(Wiring, wiring_data, file=str(wiring_path))
    if file.board.rework != ReworkSection():
        reworked = _reworked(wiring_data, file.board.rework, str(path))
        wiring = check(Wiring, reworked, file=str(path), under="board.rework")
    positions = positions_of(file, wiring, str(path))
    check_circuit(wiring, positions, str(path))
    check_ports(file, profile, str(path))
    check_schedule(file, str(path))
    parts = parts_of(file, wiring=wiring, profile=profile, path=str(path))
    for pin in file.host.lines:
        if pin not in wiring.header:
            known = ", ".join(sorted(wiring.header, key=int))
            raise BadFileError(
                file=str(path), key=f"host.lines.{pin}", found=f"header pin {pin}", allowed=f"pins {known}"
            )
    settings = ModelSettings(
        profile=unit,
        wiring=wiring,
        positions=positions,
        host=file.host,
        supply=file.supply,
        card=_card(file.card, str(path)),
        network=file.network,
        antennas=file.antennas,
        uart=file.uart,
        adaptor=file.adaptor,
        service_centre=file.service_centre,
        start=file.start,
        schedule=file.schedule,
        seed=file.bench.seed,
        start_time=file.bench.start_time,
    )
    contents = {
        "bench": NamedContent(name=file.bench.name, digest=_digest(data)),
        "profile": NamedContent(name=profile.name, digest=_digest(profile.model_dump())),
        "wiring": NamedContent(name=wiring.name, digest=_digest(wiring.model_dump())),
    }
    return BenchDescription(
        path=path,
        file=file,
        profile=profile,
        settings=settings,
        contents=contents,
        parts=parts,
        sources=sources,
    )


def _read_bench(
    path: Path, *, wanted: str, sources: dict[Path, bytes], above: tuple[Path, ...] = ()
) -> dict[str, Any]:
    """The file's tables over those of the bench it is based on."""
    data = read_toml(path, wanted=wanted, sources=sources)
    section = data.get("bench")
    base = section.get("based_on") if isinstance(section, dict) else None
    if not isinstance(base, str):
        return data
    known = demo_benches()
    base_path = known.get(base, path.parent / base)
    chain = (*above, path.resolve())
    if base_path.resolve() in chain:
        raise BadFileError(
            file=str(path),
            key="bench.based_on",
            found=f"{base!r}, which is based on this file",
            allowed="another",
        )
    if base not in known and not base.endswith(".toml"):
        raise BadFileError(
            file=str(path),
            key="bench.based_on",
            found=repr(base),
            allowed=f"{', '.join(known)}, or the path of a file ending in .toml",
        )
    below = _read_bench(
        base_path, wanted=f"the bench that bench.based_on in {path} names", sources=sources, above=chain
    )
    for table, key in (("module", "profile"), ("board", "wiring")):
        named = below.get(table, {}).get(key, "")
        if isinstance(named, str) and named.endswith(".toml"):
            below[table][key] = str((base_path.parent / named).resolve())
    return _merged(below, data)


def _digest(data: object) -> str:
    """Of the content, not of its layout: comments and the order of keys do not count."""
    return sha256(_canonical(data).encode()).hexdigest()


def _canonical(data: object) -> str:
    if isinstance(data, dict):
        return "{" + ",".join(f"{key}:{_canonical(data[key])}" for key in sorted(data)) + "}"
    if isinstance(data, list | tuple):
        return "[" + ",".join(map(_canonical, data)) + "]"
    return repr(data)


def _merged(data: dict[str, Any], overrides: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(data)
    for key, value in overrides.items():
        before = merged.get(key)
        if isinstance(value, dict) and isinstance(before, dict):
            merged[key] = _merged(before, value)
        else:
            merged[key] = value
    return merged


def _named_file(kind: Literal["profiles", "wirings"], name: str, *, near: Path, key: str) -> Path:
    known = shipped(kind)
    if name in known:
        return known[name]
    if "/" not in name and not name.endswith(".toml"):
        raise BadFileError(
            file=str(near),
            key=key,
            found=repr(name),
            allowed=f"{', '.join(known)}, or the path of a file ending in .toml",
        )
    path = near.parent / name
    if not path.is_file():
        raise MissingFileError(path=str(path), wanted=f"the file that {key} in {near} names")
    return path


def _reworked(wiring: dict[str, Any], rework: ReworkSection, bench: str) -> dict[str, Any]:
    changes = rework.model_dump(exclude={"remove"})
    data = {**wiring, **{table: {**wiring.get(table, {}), **changes[table]} for table in changes}}
    for name in rework.remove:
        if name not in data["parts"]:
            known = ", ".join(wiring.get("parts", {}))
            raise BadFileError(file=bench, key="board.rework.remove", found=repr(name), allowed=known)
        del data["parts"][name]
    return data


def _card(section: CardSection | None, bench: str) -> CardSettings | None:
    if section is None:
        return None
    pin = section.pin
    if isinstance(pin, FromEnvironment):
        pin = os.environ.get(pin.env, pin.default)
    data = {**section.model_dump(exclude={"pin"}), "pin": pin}
    return check(CardSettings, data, file=bench, under="card")
