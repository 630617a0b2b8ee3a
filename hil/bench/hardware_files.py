"""The tables that only a hardware bench has: drivers, what may be transmitted, limits, how it is left.

A driver's own keys are checked by the driver's own section.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Annotated, Any, Literal

from pydantic import Field

from hil.errors import BadFileError
from simulator.kernel.section import NotNegative, Positive, Section, Several

from .drivers.table import driver_class, known
from .toml import check

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator

    from simulator.board.wiring import Wiring
    from simulator.module.profile import Profile

    from .drivers.contracts import Driver, DriverOptions, Kind
    from .sections import BenchFile

# A driver's table: `driver` names it, the rest is its own.
DriverTable = dict[str, Any]
Pin = Annotated[str, Field(pattern=r"^\d+$")]
# What a sense input looks at: a header pin by number, or a pin of the module by name.
Sensed = Annotated[str, Field(pattern=r"^(\d+|[A-Z][A-Z0-9_]*)$")]
Budget = Annotated[int, Field(ge=0, le=100_000)]


class DriversSection(Section):
    """Which driver moves or reads each part; what is left out, the bench lacks."""

    lines: dict[Pin, DriverTable] = Field(default_factory=dict)
    sense: dict[Sensed, DriverTable] = Field(default_factory=dict)
    ports: dict[Literal["at", "data", "nmea", "diag", "uart"], DriverTable] = Field(default_factory=dict)
    supply: DriverTable | None = None
    meter: DriverTable | None = None
    attenuator: DriverTable | None = None
    usb: DriverTable | None = None
    host: DriverTable | None = None


class TransmitSection(Section):
    """What a person has looked at: what the antenna connector ends in, and which card is in.

    *card* `barred`: a test card that no public network admits.
    """

    antenna: Literal["antenna", "load", "shielded-box"] | None = None
    card: Literal["barred"] | None = None


class LimitsSection(Section):
    """What a hardware bench may do.

    *numbers* may be called and written to, no other; *max_volts* and *max_amps* bound the supply; the budgets
    count from midnight, local time, across runs.
    """

    numbers: Several[Annotated[str, Field(pattern=r"^\+\d{5,15}$")]] = ()
    max_volts: Positive | None = None
    max_amps: Positive | None = None
    refused_commands: Several[str] = ()
    presses_a_day: Budget = 500
    cuts_a_day: Budget = 200
    attaches_a_day: Budget = 200
    messages_a_day: Budget = 20
    calls_a_day: Budget = 10

    def budgets(self) -> dict[str, int]:
        """The daily budgets by name."""
        names = ("presses", "cuts", "attaches", "messages", "calls")
        return {name: getattr(self, f"{name}_a_day") for name in names}


class MeterSection(Section):
    """What the meter at the module's rail sees: changes slower than *bandwidth_hz*."""

    bandwidth_hz: Positive
    every_s: Positive = 0.1


class AttenuatorSection(Section):
    """The level that the module reports at 0 dB, and the most that the attenuator can do."""

    rsrp_at_0_db: Annotated[float, Field(ge=-140, le=-30)]
    max_db: NotNegative


class EndSection(Section):
    """How a run leaves the bench; the key is always released."""

    supply: Literal["off", "on", "leave"] = "leave"


@dataclass(frozen=True, slots=True, kw_only=True)
class PartSpec:
    """One part of a hardware bench: its *name* in messages, its driver and that driver's checked options."""

    name: str
    kind: Kind
    key: str
    driver: type[Driver]
    options: DriverOptions

    @property
    def resources(self) -> Collection[str]:
        """What it takes for itself."""
        return self.options.resources()


def parts_of(file: BenchFile, *, wiring: Wiring, profile: Profile, path: str) -> tuple[PartSpec, ...]:
    """What a hardware bench is made of; a simulated one has no drivers.

    Raises BadFileError, UnknownNameError or MissingDriverError.
    """
    if file.bench.kind == "simulated":
        if file.drivers != DriversSection():
            raise BadFileError(
                file=path, key="drivers", found="drivers on a simulated bench", allowed='kind = "hardware"'
            )
        return ()
    if file.module.unit:
        raise BadFileError(
            file=path,
            key="module.unit",
            found="a unit on a hardware bench",
            allowed="the unit that is there",
        )
    needed = (
        ("meter", file.drivers.meter, file.meter),
        ("attenuator", file.drivers.attenuator, file.attenuator),
    )
    for name, driver, section in needed:
        if driver is not None and section is None:
            keys = "bandwidth_hz" if name == "meter" else "rsrp_at_0_db and max_db"
            raise BadFileError(file=path, key=name, found="nothing", allowed=f"a table with {keys}")
    _check(file.drivers, file.limits, wiring=wiring, profile=profile, file=path)
    return tuple(_spec(kind, key, table, path) for kind, key, table in _tables(file.drivers))


def _check(
    drivers: DriversSection, limits: LimitsSection, *, wiring: Wiring, profile: Profile, file: str
) -> None:
    """What the tables say of each other and of the board."""
    for pin in drivers.lines:
        if pin not in wiring.header:
            known_pins = ", ".join(sorted(wiring.header, key=int))
            raise BadFileError(
                file=file, key=f"drivers.lines.{pin}", found=f"header pin {pin}", allowed=f"pins {known_pins}"
            )
    for role in drivers.ports:
        if role != "uart" and role not in profile.usb.roles:
            raise BadFileError(
                file=file,
                key=f"drivers.ports.{role}",
                found=f"no such port of {profile.name}",
                allowed=", ".join((*profile.usb.roles, "uart")),
            )
    if drivers.supply is not None and (limits.max_volts is None or limits.max_amps is None):
        raise BadFileError(
            file=file,
            key="limits",
            found="a supply without max_volts and max_amps",
            allowed="both, at what the carrier and the module can bear",
        )


def _tables(drivers: DriversSection) -> Iterator[tuple[Kind, str, DriverTable]]:
    for kind in ("lines", "sense", "ports"):
        for key, table in getattr(drivers, kind).items():
            yield kind, key, table
    for one in ("supply", "meter", "attenuator", "usb", "host"):
        table = getattr(drivers, one)
        if table is not None:
            yield one, "", table


_WORDS = {"lines": "header pin", "sense": "sense input", "ports": "port"}


def _spec(kind: Kind, key: str, table: DriverTable, file: str) -> PartSpec:
    place = f"drivers.{kind}.{key}" if key else f"drivers.{kind}"
    name = table.get("driver")
    if not isinstance(name, str):
        raise BadFileError(file=file, key=f"{place}.driver", found=repr(name), allowed=", ".join(known(kind)))
    driver = driver_class(kind, name)
    own = {each: value for each, value in table.items() if each != "driver"}
    options = check(driver.Options, own, file=file, under=place)
    part = f"{_WORDS[kind]} {key}" if key else kind
    return PartSpec(name=part, kind=kind, key=key, driver=driver, options=options)
