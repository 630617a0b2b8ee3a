"""The tables of a bench file, and what each may hold."""

from __future__ import annotations

from datetime import UTC, datetime
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from simulator.board.host import HostSettings
from simulator.board.supply import SupplySettings
from simulator.card.settings import CardSettings
from simulator.kernel.section import Section, Several
from simulator.messages.service_centre import ServiceCentreSettings
from simulator.model import START_TIME, Scheduled, StartSettings
from simulator.module.adaptor import AdaptorSettings
from simulator.module.uart import UartWires
from simulator.network.settings import AntennaSettings, NetworkSettings

from .hardware_files import (
    AttenuatorSection,
    DriversSection,
    EndSection,
    LimitsSection,
    MeterSection,
    TransmitSection,
)


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
