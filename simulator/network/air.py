"""Cells and antennas in, levels at the module and at the cells out: both can be moved at run time.

Antennas are branches.  The module hears with both and reports the better one; it transmits through the main
one only.  So a unit with nothing but its diversity antenna shows a good level and is never heard.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement

from .settings import FIRST, AntennaSettings, CellSettings, NetworkMove

if TYPE_CHECKING:
    from collections.abc import Mapping

    from simulator.kernel.recorder import Recorder, Value

    from .settings import NetworkSettings, Technology

# A cell below this is not found: where the reporting ranges end (3GPP TS 36.133 9.1.4; TS 45.008 8.1.4).
WEAKEST_DBM: Final[Mapping[Technology, float]] = {"lte": -140.0, "2g": -110.0}
# A carrier of 10 MHz has 50 resource blocks (3GPP TS 36.104 table 5.6-1, from memory).
_RESOURCE_BLOCKS: Final = 50
# What the module transmits at most: class 3 (3GPP TS 36.101 table 6.2.2-1), class 4 (TS 45.005 4.1.1).
MOST_DBM: Final[Mapping[Technology, float]] = {"lte": 23.0, "2g": 33.0}
# What gets past a connector with nothing on it (common practice, no source).
_OPEN_DB: Final = -50.0
# Macro cell, urban: 128.1 + 37.6 log10(km) at 2 GHz (3GPP TR 36.942 4.5.2, from memory).
_LOSS_AT_1_KM_DB, _LOSS_PER_DECADE_DB = 128.1, 37.6


class Cell:
    """One cell as it is now."""

    __slots__ = ("name", "settings")

    def __init__(self, name: str, settings: CellSettings) -> None:
        self.name, self.settings = name, settings

    @property
    def path_loss_db(self) -> float:
        """From the cell to a plain antenna, and back."""
        distance_km = self.settings.distance_km
        if distance_km is None:
            return self.settings.transmit_dbm - self.settings.rsrp_dbm
        return _LOSS_AT_1_KM_DB + _LOSS_PER_DECADE_DB * math.log10(distance_km)


class Air:
    """All that can be heard.  `changed` announces every move, `detached` what a network orders."""

    def __init__(self, settings: NetworkSettings, antennas: AntennaSettings, *, recorder: Recorder) -> None:
        self.changed: Announcement[None] = Announcement()
        self.detached: Announcement[NetworkMove] = Announcement()
        self.antennas = antennas
        self.cells = {name: Cell(name, cell) for name, cell in settings.cells.items()}
        self._recorder = recorder

    def move(self, **moved: Value) -> None:
        """Change one cell's settings by name; raises pydantic.ValidationError for what is not allowed."""
        told = {name: value for name, value in moved.items() if name in ("cell", "detach", "cause")}
        name = told.get("cell", FIRST)
        cell = self.cells.get(name) if isinstance(name, str) else None
        if cell is None:
            raise UnknownCellError(name, self.cells)
        asked = NetworkMove.model_validate({**cell.settings.model_dump(), **moved})
        kept = asked.model_dump(exclude={"cell", "detach", "cause"})
        cell.settings = CellSettings.model_validate(kept)
        self._recorder.record("surroundings/network", "set", **moved)
        self.changed.announce(None)
        if asked.detach is not None:
            self.detached.announce(asked)

    def move_antennas(self, **moved: Value) -> None:
        """Change the antennas; raises pydantic.ValidationError for what is not allowed."""
        self.antennas = AntennaSettings.model_validate({**self.antennas.model_dump(), **moved})
        self._recorder.record("surroundings/antennas", "set", **moved)
        self.changed.announce(None)

    @property
    def first(self) -> Cell:
        """The cell that `[network]` itself describes."""
        return self.cells[FIRST]

    @property
    def heard(self) -> list[Cell]:
        """The cells that a module which searches would find, the strongest first."""
        found = [
            (self.level_dbm(cell), cell)
            for cell in self.cells.values()
            if cell.settings.present and self.level_dbm(cell) >= WEAKEST_DBM[cell.settings.technology]
        ]
        return [cell for _, cell in sorted(found, key=lambda one: -one[0])]

    def is_heard(self, cell: Cell) -> bool:
        """Whether the module hears that cell."""
        return cell.settings.present and self.level_dbm(cell) >= WEAKEST_DBM[cell.settings.technology]

    def level_dbm(self, cell: Cell) -> float:
        """What the better branch receives: RSRP, or a 2G carrier's power."""
        return cell.settings.transmit_dbm - cell.path_loss_db + max(self._main_db, self._diversity_db)

    def rssi_dbm(self, cell: Cell) -> float:
        """Received power over the whole carrier: RSRQ = N x RSRP / RSSI (3GPP TS 36.214 5.1.3)."""
        level_dbm = self.level_dbm(cell)
        if cell.settings.technology == "2g":
            return level_dbm
        return level_dbm + 10 * math.log10(_RESOURCE_BLOCKS) - cell.settings.rsrq_db

    def is_reached(self, cell: Cell) -> bool:
        """Whether the cell hears the module at its full power."""
        sent_dbm = MOST_DBM[cell.settings.technology] + self._main_db
        return cell.settings.present and sent_dbm - cell.path_loss_db >= cell.settings.hears_dbm

    @property
    def _main_db(self) -> float:
        antennas = self.antennas
        return (antennas.main_gain_db if antennas.main else _OPEN_DB) - antennas.attenuation_db

    @property
    def _diversity_db(self) -> float:
        antennas = self.antennas
        return (antennas.diversity_gain_db if antennas.diversity else _OPEN_DB) - antennas.attenuation_db


class UnknownCellError(ValueError):
    """A move names a cell that the bench file does not have."""

    def __init__(self, name: Value, known: Mapping[str, Cell]) -> None:
        super().__init__(f"network has no cell {name!r}; cells are {', '.join(known)}")
