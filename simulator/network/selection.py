"""What the user and the card want and what is forbidden in, the cell to register on out (TS 23.122 4.4.3)."""

from __future__ import annotations

from enum import IntEnum
from typing import TYPE_CHECKING

from .causes import Action

if TYPE_CHECKING:
    from simulator.card.card import Card

    from .air import Air, Cell
    from .settings import Technology


class Mode(IntEnum):
    """How the operator is chosen; the numbers are `<mode>` of TS 27.007 7.3."""

    AUTOMATIC = 0
    MANUAL = 1
    NONE = 2


class Selection:
    """The choice and its lists.  Those of areas and of packet service are the module's, not the card's."""

    def __init__(self, *, air: Air, card: Card) -> None:
        self._air, self._card = air, card
        self.mode = Mode.AUTOMATIC
        self.plmn = ""
        self.technology: Technology | None = None
        self.packet_forbidden: set[str] = set()
        self.areas_forbidden: set[tuple[str, str]] = set()
        self.cells_forbidden: set[str] = set()
        self.is_packet_invalid = False

    def choose(self, mode: Mode, plmn: str = "", technology: Technology | None = None) -> None:
        """The user's choice; a PLMN that is chosen by hand is forbidden no longer (TS 23.122 3.1)."""
        self.mode, self.plmn, self.technology = mode, plmn, technology
        if mode is Mode.MANUAL:
            self._card.allow(plmn)
            self.packet_forbidden.discard(plmn)

    def forget(self) -> None:
        """Switched off, or the card has gone: what the module itself has kept is void."""
        self.packet_forbidden.clear()
        self.areas_forbidden.clear()
        self.cells_forbidden.clear()
        self.is_packet_invalid = False

    def bar(self, action: Action, cell: Cell) -> None:
        """Put what a refusal by *cell* forbids on its list."""
        settings = cell.settings
        match action:
            case Action.PACKET_INVALID:
                self.is_packet_invalid = True
            case Action.FORBID_PLMN:
                self._card.forbid(settings.plmn)
            case Action.FORBID_PACKET:
                self.packet_forbidden.add(settings.plmn)
            case Action.FORBID_AREA:
                self.areas_forbidden.add((settings.plmn, settings.area))
            case Action.FORBID_CELL:
                self.cells_forbidden.add(cell.name)

    def is_home(self, cell: Cell) -> bool:
        """Whether the cell belongs to the card's own network."""
        return self._card.imsi.startswith(cell.settings.plmn)

    def is_forbidden(self, cell: Cell) -> bool:
        """Whether the card or a refusal bars the cell."""
        settings = cell.settings
        bars_packet = self.is_packet_invalid or settings.plmn in self.packet_forbidden
        return (
            settings.plmn in self._card.forbidden_plmns
            or (settings.plmn, settings.area) in self.areas_forbidden
            or cell.name in self.cells_forbidden
            or (bars_packet and settings.technology == "lte")
        )

    def is_suitable(self, cell: Cell) -> bool:
        """Whether the module may register there: heard, chosen, not forbidden."""
        return self._air.is_heard(cell) and self._is_chosen(cell) and not self.is_forbidden(cell)

    def _is_chosen(self, cell: Cell) -> bool:
        if self.mode is Mode.AUTOMATIC:
            return True
        fits = self.technology in (None, cell.settings.technology)
        return self.mode is Mode.MANUAL and cell.settings.plmn == self.plmn and fits

    @property
    def is_barred(self) -> bool:
        """Whether cells that the user's choice allows are heard, and all of them are forbidden."""
        chosen = [cell for cell in self._air.heard if self._is_chosen(cell)]
        return bool(chosen) and all(map(self.is_forbidden, chosen))

    def best(self) -> Cell | None:
        """The cell to register on: home, then as the card prefers; LTE first, then by level."""
        suitable = [cell for cell in self._air.heard if self.is_suitable(cell)]
        return min(suitable, key=self.rank, default=None)

    def other(self, own: Cell, *, better_by_db: float | None = None) -> Cell | None:
        """The strongest other cell of the same network and technology; or only one so much better."""
        least_dbm = None if better_by_db is None else self._air.level_dbm(own) + better_by_db
        for cell in self._air.heard:
            is_same = (cell.settings.plmn, cell.settings.technology) == (
                own.settings.plmn,
                own.settings.technology,
            )
            if cell is own or not is_same or self.is_forbidden(cell):
                continue
            if least_dbm is None or self._air.level_dbm(cell) > least_dbm:
                return cell
        return None

    def rank(self, cell: Cell) -> tuple[int, bool, float]:
        """Where the cell stands among others: the smallest first."""
        preferred = self._card.preferred_plmns
        if self.is_home(cell):
            place = -1
        elif cell.settings.plmn in preferred:
            place = preferred.index(cell.settings.plmn)
        else:
            place = len(preferred)
        return place, cell.settings.technology != "lte", -self._air.level_dbm(cell)
