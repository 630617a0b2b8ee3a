"""The header of the model's board: its pins, and the roles that they reach through the wiring."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING

from hil.bench.interface import Header, HeaderPin
from hil.bench.nominal import ROLES, NominalBoard
from hil.errors import PartMissingError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from hil.bench.files import BenchDescription
    from simulator.board.picture import Route
    from simulator.edges.pacing import Driver


class SimulatedPin(HeaderPin):
    """One header pin of the model's board."""

    def __init__(self, driver: Driver, number: str, *, active_high: bool) -> None:
        self.number, self.active_high = number, active_high
        self._driver, self._board = driver, driver.model.board
        self._line = self._board.lines.on_pin(number)

    def drive(self, level: bool) -> None:
        """Drive the pin high or low."""
        self._driver.settle()
        if self._line is not None:
            self._line.drive(level, by="suite")
        else:
            self._board.drive(self.number, level, by="suite")

    def release(self) -> None:
        """Let go of the pin."""
        self._driver.settle()
        if self._line is not None:
            self._line.make_input(by="suite")
        else:
            self._board.drive(self.number, None, by="suite")

    def read(self) -> bool:
        """The level at the pin; what floats reads low."""
        self._driver.settle()
        return bool(self._board.level_at(self.number))


class SimulatedHeader(Header):
    """The model's header; roles are found through the wiring."""

    def __init__(self, driver: Driver, description: BenchDescription) -> None:
        self._driver, self._board = driver, driver.model.board
        self._description = description

    @cached_property
    def _routes(self) -> Mapping[str, Route | None]:
        """Found once somebody asks: a script never does."""
        return NominalBoard(self._description).routes

    @property
    def roles(self) -> list[str]:
        """The roles that a header pin reaches."""
        return [role for role, route in self._routes.items() if route is not None]

    def __getitem__(self, pin_or_role: str) -> SimulatedPin:
        """The pin by number or role."""
        if pin_or_role in self._routes:
            route = self._routes[pin_or_role]
            if route is None:
                raise PartMissingError(
                    part=f"header:{pin_or_role}", why="no header pin reaches it through this wiring"
                )
            return SimulatedPin(self._driver, route.pin, active_high=route.active_high)
        if pin_or_role in self._board.wiring.header:
            return SimulatedPin(self._driver, pin_or_role, active_high=True)
        known = ", ".join((*ROLES, *sorted(self._board.wiring.header, key=int)))
        raise PartMissingError(part=f"header:{pin_or_role}", why=f"pins and roles are {known}")
