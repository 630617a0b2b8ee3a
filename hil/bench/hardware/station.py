"""What of a hardware bench outlives one test: its lock, its opened drivers, its permits.

Opened once for a run.  It takes the bench as it finds it but for the supply, and leaves it with the key
released and the supply as the bench file says, however the run ends.
"""

from __future__ import annotations

import sys
import threading
from typing import TYPE_CHECKING, Final, TypeVar

from hil.bench.drivers.contracts import (
    AttenuatorDriver,
    HostDriver,
    LineDriver,
    MeterDriver,
    PortDriver,
    SenseDriver,
    SupplyDriver,
    UsbDriver,
)
from hil.bench.guards.ledger import Ledger
from hil.bench.guards.permits import Permits
from hil.bench.guards.port_guard import PortGuard
from hil.bench.guards.rules import RuleBook
from hil.bench.lock import BenchLock
from hil.bench.nominal import NominalBoard
from hil.bench.state_folder import lock_folder, state_folder
from hil.errors import BenchError, BenchUnfitError, UsageError, WakebenchError

if TYPE_CHECKING:
    from hil.bench.drivers.contracts import Driver
    from hil.bench.files import BenchDescription
    from hil.bench.hardware_files import PartSpec

D = TypeVar("D", bound="Driver")

# How long one thread may keep the others waiting: ports are read, and lateness is looked for, in threads.  By
# Python's own 5 ms, what they stamp while a test computes is as late (median of a busy loop: 5.4 ms, so 1.3).
_SWITCH_S: Final = 0.001


class Station:
    """Opens every part of *description*; raises BenchUnfitError that names the part, and holds nothing then.

    Waits up to *wait_s* for whoever else uses the bench.  With *moves_nothing* (precheck) key and supply are
    left alone, and `faults` says which parts could not be opened.
    """

    def __init__(
        self, description: BenchDescription, *, wait_s: float = 0.0, moves_nothing: bool = False
    ) -> None:
        if description.file.bench.kind != "hardware":
            raise UsageError(f"{description.path}: bench.kind: found 'simulated'; allowed: hardware")
        self.description = description
        file = description.file
        self.nominal = NominalBoard(description)
        self._moves_nothing = moves_nothing
        self._resources = [name for spec in description.parts for name in spec.resources]
        _refuse_twice(description.parts)
        self._lock = BenchLock(file.bench.name, self._resources, folder=lock_folder(), wait_s=wait_s)
        self._opened: dict[str, Driver] = {}
        self.faults: dict[str, WakebenchError] = {}
        self._switch_before_s = sys.getswitchinterval()
        sys.setswitchinterval(_SWITCH_S)
        try:
            self.permits = Permits(
                numbers=file.limits.numbers,
                antenna=file.transmit.antenna,
                budgets=file.limits.budgets(),
                ledger=Ledger(state_folder() / f"{file.bench.name}.json"),
                max_volts=file.limits.max_volts,
            )
            self.rules = RuleBook(
                effects={
                    f"{description.profile.extensions.prefix}{name}": one.effect
                    for name, one in description.profile.extensions.commands.items()
                },
                refused=file.limits.refused_commands,
            )
            # Several threads hear and send; what a card has left is one number for all ports.
            self.guards_lock = threading.RLock()
            self.guards: dict[str, PortGuard] = {
                role: PortGuard(self.permits, self.rules) for role in file.drivers.ports
            }
            for spec in description.parts:
                self._open(spec)
            if not moves_nothing:
                self._begin_supply()
        except BaseException:
            self.close()
            raise

    def _open(self, spec: PartSpec) -> None:
        try:
            self._opened[spec.name] = spec.driver(spec.options, spec.name)  # type: ignore[call-arg] # contract
        except WakebenchError as error:
            if not self._moves_nothing:
                raise
            self.faults[spec.name] = error

    # -- its parts --------------------------------------------------------------------------

    def _all(self, kind: str, contract: type[D]) -> dict[str, D]:
        found = {}
        for spec in self.description.parts:
            driver = self._opened.get(spec.name)
            if spec.kind == kind and isinstance(driver, contract):
                found[spec.key] = driver
        return found

    def _one(self, kind: str, contract: type[D]) -> D | None:
        return next(iter(self._all(kind, contract).values()), None)

    @property
    def lines(self) -> dict[str, LineDriver]:
        """Header lines by pin."""
        return self._all("lines", LineDriver)  # type: ignore[type-abstract] # a filter

    @property
    def sense(self) -> dict[str, SenseDriver]:
        """Sense inputs by what they look at."""
        return self._all("sense", SenseDriver)  # type: ignore[type-abstract] # a filter

    @property
    def ports(self) -> dict[str, PortDriver]:
        """Ports by role."""
        return self._all("ports", PortDriver)  # type: ignore[type-abstract] # a filter

    @property
    def supply(self) -> SupplyDriver | None:
        """The source."""
        return self._one("supply", SupplyDriver)  # type: ignore[type-abstract] # a filter

    @property
    def meter(self) -> MeterDriver | None:
        """The meter at the rail."""
        return self._one("meter", MeterDriver)  # type: ignore[type-abstract] # a filter

    @property
    def attenuator(self) -> AttenuatorDriver | None:
        """What lies between cell and antenna."""
        return self._one("attenuator", AttenuatorDriver)  # type: ignore[type-abstract] # a filter

    @property
    def usb(self) -> UsbDriver | None:
        """The module on the bus."""
        return self._one("usb", UsbDriver)  # type: ignore[type-abstract] # a filter

    @property
    def host(self) -> HostDriver | None:
        """The host's shell."""
        return self._one("host", HostDriver)  # type: ignore[type-abstract] # a filter

    def drivers(self) -> dict[str, Driver]:
        """Every opened driver by the part's name."""
        return dict(self._opened)

    # -- its end ----------------------------------------------------------------------------

    def close(self) -> None:
        """Key released, supply as the bench file says, every part and the lock let go; once.

        What cannot be done is told at the end, as BenchUnfitError; the rest is done all the same.
        """
        faults: list[BenchError] = []
        opened, self._opened = self._opened, {}
        steps = [] if self._moves_nothing else [self._release_key, self._end_supply]
        for step in steps:
            try:
                step(opened)
            except BenchError as error:
                faults.append(error)
        for driver in opened.values():
            try:
                driver.close()
            except BenchError as error:
                faults.append(error)
        self._lock.release()
        sys.setswitchinterval(self._switch_before_s)
        if faults:
            raise faults[0]

    def _release_key(self, opened: dict[str, Driver]) -> None:
        route = self.nominal.routes["power_key"]
        line = opened.get(f"header pin {route.pin}") if route else None
        if isinstance(line, LineDriver) and route is not None:
            line.drive(not route.active_high)
            line.release()

    def _begin_supply(self) -> None:
        file, supply = self.description.file, self.supply
        if supply is None or file.limits.max_amps is None:
            return
        supply.set_limit(min(file.supply.limit_a, file.limits.max_amps))
        if file.start.supply == "on" and not supply.is_on():
            self.permits.permit_supply_on()
            self.permits.permit_volts(file.supply.volts)
            supply.set_volts(file.supply.volts)
            supply.turn(on=True)

    def _end_supply(self, opened: dict[str, Driver]) -> None:
        wanted = self.description.file.end.supply
        supply = opened.get("supply")
        if isinstance(supply, SupplyDriver) and wanted != "leave":
            if wanted == "on":
                supply.set_volts(self.description.file.supply.volts)
            supply.turn(on=wanted == "on")


def _refuse_twice(parts: tuple[PartSpec, ...]) -> None:
    """Two parts of one file that claim one line would wait for each other for ever."""
    taken: dict[str, str] = {}
    for spec in parts:
        for name in spec.resources:
            if name in taken:
                raise BenchUnfitError(
                    part=spec.name, reason=f"{name} is {taken[name]}'s already", cure="give each its own"
                )
            taken[name] = spec.name
