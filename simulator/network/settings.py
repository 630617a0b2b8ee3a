"""What the air holds, as people write it into a bench file: cells, their networks' manners, antennas."""

from __future__ import annotations

from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from simulator.kernel.section import NotNegative, Positive, Section

Technology = Literal["lte", "2g"]

# The cell that the keys of `[network]` themselves describe.
FIRST: Final = "first"

# The causes of 3GPP TS 24.301 table 9.9.3.9.1 and TS 24.008 table 10.5.95 fit into one octet.
Cause = Annotated[int, Field(ge=1, le=255)]
Decibels = Annotated[float, Field(ge=-100, le=100, allow_inf_nan=False)]


class CellSettings(Section):
    """One cell, and how the network behind it behaves.

    *rsrp_dbm* is the reference signal's power (2G: the carrier's) at a module with a plain antenna; with
    *distance_km* it follows from the path instead.  *transmit_dbm* is what the cell radiates for it,
    *hears_dbm* the weakest transmission that the cell still understands.

    A network that does not answer (*answers*) leaves requests without reply; *deny_cause* is the cause it
    refuses with, *back_off_s* the T3346 it sends with cause 22.  *registers*: for `all` services, for
    `packet` service alone, for packet service and `messages`, or (2G) for `circuit` service alone.  *t3402_s*
    and *update_s* (T3412, or T3212 in 2G; 0: never) are its timers, *inactivity_s* the time after which it
    releases an idle connection.  *zone_quarters*: local time less UTC in quarters of an hour, *dst_hours* of
    daylight saving included.
    """

    plmn: Annotated[str, Field(pattern=r"^\d{5,6}$")] = "00101"
    operator: Annotated[str, Field(pattern=r'^[^"\x00-\x1f]{1,16}$')] = "Ashbeck Test"
    operator_short: Annotated[str, Field(pattern=r'^[^"\x00-\x1f]{1,8}$')] = "Ashbeck"
    technology: Technology = "lte"
    present: bool = True
    rsrp_dbm: Annotated[float, Field(ge=-160, le=-40)] = -95.0
    rsrq_db: Annotated[float, Field(ge=-30, le=0)] = -10.0
    distance_km: Positive | None = None
    transmit_dbm: Annotated[float, Field(ge=-40, le=60)] = 15.0
    hears_dbm: Annotated[float, Field(ge=-150, le=-60)] = -120.0
    area: Annotated[str, Field(pattern=r"^[0-9A-F]{4}$")] = "0B2C"
    cell_id: Annotated[str, Field(pattern=r"^[0-9A-F]{8}$")] = "01A2B301"
    closed_group: bool = False
    answers: bool = True
    deny_cause: Cause | None = None
    back_off_s: NotNegative | None = None
    registers: Literal["all", "packet", "messages", "circuit"] = "all"
    t3402_s: NotNegative = 720.0
    update_s: NotNegative = 3240.0
    inactivity_s: NotNegative = 10.0
    gives_time: bool = True
    zone_quarters: Annotated[int, Field(ge=-48, le=56)] = 0
    dst_hours: Annotated[int, Field(ge=0, le=2)] = 0

    @model_validator(mode="after")
    def _fits_technology(self) -> Self:
        if self.technology == "lte" and self.registers == "circuit":
            raise ValueError('registers = "circuit" needs technology = "2g": LTE has packet service only')
        if self.technology == "2g" and self.registers == "messages":
            raise ValueError('registers = "messages" needs technology = "lte"')
        return self


class NetworkSettings(CellSettings):
    """The table `[network]`: one cell, and the *neighbours* by name."""

    neighbours: dict[Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]*$")], CellSettings] = Field(
        default_factory=dict
    )

    @model_validator(mode="after")
    def _first_is_taken(self) -> Self:
        if FIRST in self.neighbours:
            raise ValueError(f"neighbours may not be called {FIRST!r}: that is the cell of [network] itself")
        return self

    @property
    def cells(self) -> dict[str, CellSettings]:
        """Every cell by name."""
        own = CellSettings.model_construct(
            **{name: getattr(self, name) for name in CellSettings.model_fields}
        )
        return {FIRST: own, **self.neighbours}


class NetworkMove(CellSettings):
    """What a move of the network may say: a *cell* (left out: the first) and its new settings.

    *detach*: the network detaches the module now (TS 24.301 5.5.2.3), which is to attach `again` or to
    `wait`, with *cause* where one is given.
    """

    cell: str = FIRST
    detach: Literal["again", "wait"] | None = None
    cause: Cause | None = None


class AntennaSettings(Section):
    """The antennas at the module's connectors: whether they are fitted, and what each adds, in dB.

    *attenuation_db* lies in both paths: a step attenuator on a bench, leaves or ice in the field.
    """

    main: bool = True
    diversity: bool = True
    main_gain_db: Decibels = 0.0
    diversity_gain_db: Decibels = 0.0
    attenuation_db: Annotated[float, Field(ge=0, le=200)] = 0.0
