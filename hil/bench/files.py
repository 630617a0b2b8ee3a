"""Bench, profile and wiring files in, everything a bench is built from out.

A bench file names its profile and its wiring by a shipped name or by a path relative to itself.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from datetime import UTC, datetime
from hashlib import sha256
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from hil.errors import BadFileError, MissingFileError, UnknownNameError
from simulator.board.feed import supply_path
from simulator.board.host import HostSettings
from simulator.board.supply import SupplySettings
from simulator.board.wiring import Wiring
from simulator.card.settings import CardSettings
from simulator.kernel.section import Section, Several
from simulator.messages.service_centre import ServiceCentreSettings
from simulator.model import START_TIME, ModelSettings, Scheduled, StartSettings
from simulator.module.adaptor import AdaptorSettings
from simulator.module.profile import Profile
from simulator.module.uart import UartWires
from simulator.network.settings import FIRST, AntennaSettings, NetworkSettings

from .hardware_files import (
    AttenuatorSection,
    DriversSection,
    EndSection,
    LimitsSection,
    MeterSection,
    PartSpec,
    TransmitSection,
    parts_of,
)
from .toml import check, read_toml

if TYPE_CHECKING:
    from collections.abc import Mapping


def _instant(value: object) -> object:
    if isinstance(value, str):
        try:
            value = datetime.fromisoformat(value)
        except ValueError as error:
            raise ValueError("an instant such as 2026-01-15T06:00:00Z") from error
    if isinstance(value, datetime):
        return value.replace(tzinfo=UTC) if value.tzinfo is None else value.astimezone(UTC)
    return value


class BenchSection(Section):
    """What the bench is.

    *based_on* names a demo bench, or the path of a file, whose tables this file adds to and changes.
    """

    based_on: str | None = None
    name: Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9._-]*$")]
    kind: Literal["simulated", "hardware"]
    seed: Annotated[int, Field(ge=0)] = 1
    start_time: Annotated[datetime, BeforeValidator(_instant)] = START_TIME


class ModuleSection(Section):
    """Which module is fitted; *unit* is where this one unit differs from its profile.

    The keys of *unit* are those of a profile.  Suites go by the profile, so a unit that differs is one
    that a suite can find out; simulated benches only.
    """

    profile: str
    unit: dict[str, Any] = Field(default_factory=dict)


class ReworkSection(Section):
    """What was changed by hand on this one board: keys as in a wiring, and the parts to *remove*."""

    header: dict[str, str] = Field(default_factory=dict)
    module: dict[str, str] = Field(default_factory=dict)
    rails: dict[str, dict[str, Any]] = Field(default_factory=dict)
    parts: dict[str, dict[str, Any]] = Field(default_factory=dict)
    remove: Several[str] = ()


class BoardSection(Section):
    """Which carrier, how its jumpers and switches are set, and where this board differs from it."""

    wiring: str
    jumpers: dict[str, str] = Field(default_factory=dict)
    switches: dict[str, str] = Field(default_factory=dict)
    rework: ReworkSection = ReworkSection()


class FromEnvironment(Section):
    """A secret that is not written into the file: from the environment, or a default."""

    env: str
    default: str | None = None


class CardSection(CardSettings):
    """The card; its PIN may come from the environment."""

    pin: Annotated[str, Field(pattern=r"^\d{4,8}$")] | FromEnvironment | None = None  # type: ignore[assignment] # wider on purpose


class BenchFile(Section):
    """One bench file."""

    bench: BenchSection
    module: ModuleSection
    board: BoardSection
    host: HostSettings
    supply: SupplySettings = SupplySettings()
    card: CardSection | None = None
    network: NetworkSettings = NetworkSettings()
    antennas: AntennaSettings = AntennaSettings()
    uart: UartWires = UartWires()
    adaptor: AdaptorSettings = AdaptorSettings()
    service_centre: ServiceCentreSettings = ServiceCentreSettings()
    start: StartSettings = StartSettings()
    schedule: Several[Scheduled] = ()
    limits: LimitsSection = LimitsSection()
    drivers: DriversSection = DriversSection()
    transmit: TransmitSection = TransmitSection()
    meter: MeterSection | None = None
    attenuator: AttenuatorSection | None = None
    end: EndSection = EndSection()


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
    positions = _positions(file, wiring, str(path))
    _check_circuit(wiring, positions, str(path))
    _check_ports(file, profile, str(path))
    _check_schedule(file, str(path))
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


def _check_circuit(wiring: Wiring, positions: Mapping[str, str], bench: str) -> None:
    """What only shows once jumpers and switches are set: rails joined, a supply with two of a kind."""
    try:
        wiring.joined(positions)
        supply_path(wiring, positions)
    except ValueError as error:
        place, _, found = str(error).partition(": ")
        raise BadFileError(
            file=bench, key=f"board: {place}", found=found, allowed="one source for each net"
        ) from error


def _positions(file: BenchFile, wiring: Wiring, bench: str) -> dict[str, str]:
    allowed = wiring.position_names()
    positions: dict[str, str] = {}
    for table, settings in (("jumpers", file.board.jumpers), ("switches", file.board.switches)):
        for name, position in settings.items():
            if name not in allowed:
                raise BadFileError(
                    file=bench,
                    key=f"board.{table}.{name}",
                    found=f"no such part in {wiring.name}",
                    allowed=", ".join(allowed) or "nothing",
                )
            if position not in allowed[name]:
                raise BadFileError(
                    file=bench,
                    key=f"board.{table}.{name}",
                    found=repr(position),
                    allowed=", ".join(allowed[name]),
                )
            positions[name] = position
    return positions


def _check_ports(file: BenchFile, profile: Profile, bench: str) -> None:
    """Every port of the module has a name on the host, rising in the order of its composition."""
    nodes = file.host.usb_ports
    if set(nodes) != set(profile.usb.ports):
        raise BadFileError(
            file=bench,
            key="host.usb_ports",
            found=", ".join(nodes) or "nothing",
            allowed=f"exactly the ports of {profile.name}: {', '.join(profile.usb.ports)}",
        )
    numbers = [int(nodes[role].removeprefix("ttyUSB")) for role in profile.usb.ports]
    if numbers != sorted(set(numbers)):
        raise BadFileError(
            file=bench,
            key="host.usb_ports",
            found=", ".join(f"{role} = {nodes[role]}" for role in profile.usb.ports),
            allowed="numbers that rise in the module's order of ports, as the host gives them",
        )


def _check_schedule(file: BenchFile, bench: str) -> None:
    """What a scheduled move names is on this bench."""
    cells = file.network.cells
    for place, move in enumerate(file.schedule):
        cell = move.set.get("cell", FIRST)
        if move.part == "network" and cell not in cells:
            raise BadFileError(
                file=bench, key=f"schedule.{place}.set.cell", found=repr(cell), allowed=", ".join(cells)
            )
        missing = (move.part == "card" and file.card is None) or (
            move.part == "uart" and file.host.uart is None
        )
        if missing:
            raise BadFileError(
                file=bench,
                key=f"schedule.{place}.part",
                found=repr(move.part),
                allowed="a part that this bench has",
            )


def _card(section: CardSection | None, bench: str) -> CardSettings | None:
    if section is None:
        return None
    pin = section.pin
    if isinstance(pin, FromEnvironment):
        pin = os.environ.get(pin.env, pin.default)
    data = {**section.model_dump(exclude={"pin"}), "pin": pin}
    return check(CardSettings, data, file=bench, under="card")
