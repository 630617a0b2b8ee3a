"""What the air offers: one cell, whose level and manners can be moved at run time."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Annotated, Final, Literal

from pydantic import Field

from simulator.kernel.announcement import Announcement
from simulator.kernel.section import Section

if TYPE_CHECKING:
    from simulator.kernel.recorder import Recorder, Value

# A cell below this reference signal power is not found (3GPP TS 36.133 9.1.4: the reporting range ends here).
WEAKEST_DBM: Final = -140.0
# A carrier of 10 MHz has 50 resource blocks (3GPP TS 36.104 table 5.6-1, from memory).
_RESOURCE_BLOCKS: Final = 50


class NetworkSettings(Section):
    """The network that a bench file describes.

    *zone_quarters*: local time less UTC in quarters of an hour, *dst_hours* of daylight saving included.
    """

    plmn: Annotated[str, Field(pattern=r"^\d{5,6}$")] = "00101"
    rsrp_dbm: Annotated[float, Field(ge=-160, le=-40)] = -95.0
    rsrq_db: Annotated[float, Field(ge=-30, le=0)] = -10.0
    technology: Literal["lte", "2g"] = "lte"
    present: bool = True
    deny_cause: Annotated[int, Field(ge=1, le=255)] | None = None
    gives_time: bool = True
    zone_quarters: Annotated[int, Field(ge=-48, le=56)] = 0
    dst_hours: Annotated[int, Field(ge=0, le=2)] = 0
    area: Annotated[str, Field(pattern=r"^[0-9A-F]{4}$")] = "0B2C"
    cell_id: Annotated[str, Field(pattern=r"^[0-9A-F]{8}$")] = "01A2B301"


class Cell:
    """The one cell in reach; `changed` announces every move of it."""

    def __init__(self, settings: NetworkSettings, *, recorder: Recorder) -> None:
        self.settings = settings
        self.changed: Announcement[None] = Announcement()
        self._recorder = recorder

    def move(self, **moved: Value) -> None:
        """Change settings by name; raises pydantic.ValidationError for what is not allowed."""
        self.settings = NetworkSettings.model_validate({**self.settings.model_dump(), **moved})
        self._recorder.record("surroundings/network", "set", **moved)
        self.changed.announce(None)

    @property
    def is_found(self) -> bool:
        """Whether a module that searches would find the cell."""
        return self.settings.present and self.settings.rsrp_dbm >= WEAKEST_DBM

    @property
    def rssi_dbm(self) -> float:
        """Received power over the whole carrier: RSRQ = N x RSRP / RSSI (3GPP TS 36.214 5.1.3)."""
        return self.settings.rsrp_dbm + 10 * math.log10(_RESOURCE_BLOCKS) - self.settings.rsrq_db
