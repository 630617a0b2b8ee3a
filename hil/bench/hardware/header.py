"""Header pins of a hardware bench: driven through their guard, recorded as measured where that is sensed."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.bench.interface import Header, HeaderPin
from hil.bench.nominal import ROLES
from hil.errors import PartMissingError

if TYPE_CHECKING:
    from hil.bench.drivers.contracts import LineDriver
    from hil.bench.guards.permits import Permits

    from .clock import WallClock
    from .events import Events
    from .gone import Gone
    from .station import Station


class HardwarePin(HeaderPin):
    """One header pin."""

    def __init__(self, header: HardwareHeader, number: str, line: LineDriver, *, role: str | None) -> None:
        self.number, self._line, self._role, self._header = number, line, role, header
        route = header.routes.get(role) if role else None
        self.active_high = True if route is None else route.active_high

    def drive(self, level: bool) -> None:
        """Drive the pin, where the guards let it."""
        self._header.before(self._role, self.number, level, active=level is self.active_high)
        self._line.drive(level)
        self._header.after(self.number, level)

    def release(self) -> None:
        """Let go of the pin."""
        self._header.before(self._role, self.number, None, active=False)
        self._line.release()
        self._header.after(self.number, None)

    def read(self) -> bool:
        """The level at the pin."""
        return self._line.read()


class HardwareHeader(Header):
    """The pins that have a driver; roles are found through the wiring."""

    def __init__(self, station: Station, *, events: Events, gone: Gone) -> None:
        self._station, self._events, self._gone = station, events, gone
        self._permits: Permits = station.permits
        self._lines = station.lines
        self.routes = {role: route for role, route in station.nominal.routes.items() if route is not None}
        self._role_of = {route.pin: role for role, route in self.routes.items()}
        self._driven: dict[str, bool | None] = {}

    @property
    def roles(self) -> list[str]:
        """The roles that a driven pin reaches."""
        return [role for role, route in self.routes.items() if route.pin in self._lines]

    def __getitem__(self, pin_or_role: str) -> HardwarePin:
        """The pin by number or role."""
        if pin_or_role in ROLES and pin_or_role not in self.routes:
            raise PartMissingError(
                part=f"header:{pin_or_role}", why="no header pin reaches it through this wiring"
            )
        number = self.routes[pin_or_role].pin if pin_or_role in self.routes else pin_or_role
        if number not in self._lines:
            known = ", ".join(sorted(self._lines, key=int)) or "none"
            raise PartMissingError(part=f"header:{pin_or_role}", why=f"pins with a driver are {known}")
        return HardwarePin(self, number, self._lines[number], role=self._role_of.get(number))

    def rest(self) -> None:
        """Every pin with a role to the level at which it does nothing."""
        for role in self.roles:
            pin = self[role]
            if role != "status" and self._driven.get(pin.number) is pin.active_high:
                pin.set_active(False)

    def before(self, role: str | None, number: str, level: bool | None, *, active: bool) -> None:
        """Ask the guards; raises GuardRefusedError."""
        if self._driven.get(number, ...) == level:
            return
        if role == "power_key":
            if active:
                self._permits.permit_press()
            self._gone.did()
        elif role == "radio_disable" and not active and number in self._driven:
            self._permits.permit_radio_on()

    def after(self, number: str, level: bool | None) -> None:
        """It is done: record it, as commanded where a sense input tells what came of it."""
        self._driven[number] = level
        what = "drive" if number in self._station.sense else "level"
        value = None if level is None else int(level)
        self._events.record(f"header/{number}", what, value=value, by="suite")


class Senses:
    """The sense inputs: what they saw becomes levels on the recording, at the kernel's times."""

    def __init__(self, station: Station, *, clock: WallClock, events: Events) -> None:
        self._clock, self._events = clock, events
        self._drivers = {_lane(key): driver for key, driver in station.sense.items()}
        for lane, driver in self._drivers.items():
            driver.edges()  # those of before the run
            events.record(lane, "level", value=int(driver.level()), by="sense")

    def take_in(self) -> None:
        """Record the edges since the last call."""
        for lane, driver in self._drivers.items():
            for edge in driver.edges():
                t_ns = edge.t_ns - self._clock.start_ns
                if t_ns >= 0:
                    self._events.record_at(t_ns, lane, "level", value=int(edge.level), by="sense")


def _lane(key: str) -> str:
    return f"header/{key}" if key.isdigit() else f"pin/{key}"
