"""Card, radio, power and cell in; registration with the network out.

The numbers of the states are those of `<stat>` in TS 27.007 7.2.
"""

from __future__ import annotations

from datetime import datetime, timedelta, timezone
from enum import Enum
from typing import TYPE_CHECKING, Final, NamedTuple

from simulator.card.card import CardState
from simulator.kernel.announcement import Announcement
from simulator.kernel.machine import StateMachine
from simulator.kernel.timeline import SECOND_NS
from simulator.module.radio import FULL

if TYPE_CHECKING:
    from simulator.card.card import Card
    from simulator.kernel.machine import Change
    from simulator.kernel.timeline import Wakeup
    from simulator.module.module import Module

    from .cell import Cell


class Registered(Enum):
    """Registration states, in the words of the recording."""

    IDLE = "not registered"
    HOME = "registered home"
    SEARCHING = "searching"
    DENIED = "denied"
    ROAMING = "registered roaming"


# <stat> of TS 27.007 7.2.
STAT: Final = {
    Registered.IDLE: 0,
    Registered.HOME: 1,
    Registered.SEARCHING: 2,
    Registered.DENIED: 3,
    Registered.ROAMING: 5,
}

# The module transmits in the last second of an attach at most: random access, security, accept (common
# practice, no source).
_ATTACH_NS: Final = SECOND_NS

TRANSITIONS: Final = (
    ("search", Registered.IDLE, Registered.SEARCHING),
    ("accepted_home", Registered.SEARCHING, Registered.HOME),
    ("accepted_roaming", Registered.SEARCHING, Registered.ROAMING),
    ("rejected", Registered.SEARCHING, Registered.DENIED),
    ("cell_lost", Registered.HOME, Registered.SEARCHING),
    ("cell_lost", Registered.ROAMING, Registered.SEARCHING),
    ("cell_moved", Registered.DENIED, Registered.SEARCHING),
    ("give_up", Registered.HOME, Registered.IDLE),
    ("give_up", Registered.ROAMING, Registered.IDLE),
    ("give_up", Registered.SEARCHING, Registered.IDLE),
    ("give_up", Registered.DENIED, Registered.IDLE),
)


class NetworkTime(NamedTuple):
    """Time as the network tells it (3GPP TS 24.301 8.2.13, from memory): UTC, the zone in quarters of an
    hour with daylight saving in it, and how many hours of that there are.
    """

    utc: datetime
    quarters: int
    dst_hours: int


class Registration:
    """The module's registration.  `changed` announces each new `<stat>`, `time_told` the network's time.

    *start_time* is the instant, in UTC, at which the run began: the network's clock counts from it.
    """

    def __init__(self, *, module: Module, card: Card, cell: Cell, start_time: datetime) -> None:
        self.changed: Announcement[int] = Announcement()
        self.time_told: Announcement[NetworkTime] = Announcement()
        self._zone: tuple[int, int] | None = None
        self.reject_cause: int | None = None
        self._module, self._card, self.cell = module, card, cell
        self._start_time = start_time
        self._pending: Wakeup | None = None
        self._transmits: Wakeup | None = None
        self._machine: StateMachine[Registered] = StateMachine(
            lane="module/registration",
            table=TRANSITIONS,
            initial=Registered.IDLE,
            recorder=module.recorder,
        )
        self._machine.changed.listen(self._on_change)
        card.changed.listen(lambda _: self._review())
        module.radio.changed.listen(lambda _: self._review())
        module.power.changed.listen(lambda _: self._review())
        cell.changed.listen(lambda _: self._on_cell())

    @property
    def state(self) -> Registered:
        """The present state."""
        return self._machine.state

    @property
    def stat(self) -> int:
        """The present state as `<stat>` (TS 27.007 7.2)."""
        return STAT[self.state]

    @property
    def is_registered(self) -> bool:
        """Whether the network knows the module."""
        return self.state in (Registered.HOME, Registered.ROAMING)

    @property
    def area(self) -> str:
        """Tracking (or location) area code, four hexadecimal digits; empty while not registered."""
        return self.cell.settings.area if self.is_registered else ""

    @property
    def cell_id(self) -> str:
        """Cell identity, eight hexadecimal digits; empty while not registered."""
        return self.cell.settings.cell_id if self.is_registered else ""

    @property
    def act(self) -> int:
        """Access technology of TS 27.007 7.2: 7 E-UTRAN, 0 GSM."""
        return 7 if self.cell.settings.technology == "lte" else 0

    @property
    def rssi_dbm(self) -> float | None:
        """The level the module reports; None while it hears no cell."""
        return self.cell.rssi_dbm if self._may_receive and self.cell.is_found else None

    @property
    def _may_receive(self) -> bool:
        return self._module.power.is_running and self._module.radio.functionality == FULL

    def _review(self) -> None:
        wanted = self._may_receive and self._card.state is CardState.READY
        if wanted and self.state is Registered.IDLE:
            self._machine.happen("search")
        elif not wanted and self.state is not Registered.IDLE:
            self._machine.happen("give_up")

    def _on_cell(self) -> None:
        if self.is_registered and not self.cell.is_found:
            self._machine.happen("cell_lost")
        elif self.is_registered:
            self._review_zone()
        elif self.state is Registered.DENIED:
            self._machine.happen("cell_moved")
        elif self.state is Registered.SEARCHING:
            self._search()

    def _on_change(self, change: Change[Registered]) -> None:
        if change.after is not Registered.DENIED:
            self.reject_cause = None
        if change.after is Registered.SEARCHING:
            self._search()
        else:
            self._cancel()
        self.changed.announce(STAT[change.after])

    def _search(self) -> None:
        """Attach after the profile's delay, if a cell is found; otherwise wait for one."""
        if not self.cell.is_found:
            self._cancel()
        elif self._pending is None:
            delay_ns = self._module.draws.draw_ns("registration", self._module.profile.delays.registration_s)
            self._pending = self._module.timeline.call_in(delay_ns, self._answered)
            transmits_ns = delay_ns - min(_ATTACH_NS, delay_ns // 2)
            self._transmits = self._module.timeline.call_in(transmits_ns, self._attach)

    def _attach(self) -> None:
        self._module.consumption.transmit(self.cell.settings.technology)

    def _answered(self) -> None:
        self._pending = None
        self._module.consumption.transmit(None)
        settings = self.cell.settings
        if settings.deny_cause is not None:
            self.reject_cause = settings.deny_cause
            self._machine.happen("rejected", f"cause {settings.deny_cause}")
            return
        if settings.gives_time:
            self._tell_time()
        home = self._card.imsi.startswith(settings.plmn)
        self._machine.happen("accepted_home" if home else "accepted_roaming", "network")

    def network_now(self) -> datetime:
        """The network's local time, aware of its zone."""
        zone = timezone(timedelta(minutes=15 * self.cell.settings.zone_quarters))
        utc = self._start_time + timedelta(microseconds=self._module.timeline.now_ns // 1000)
        return utc.astimezone(zone)

    def _review_zone(self) -> None:
        """A network whose zone moves tells it to those who are registered."""
        settings = self.cell.settings
        if settings.gives_time and (settings.zone_quarters, settings.dst_hours) != self._zone:
            self._tell_time()

    def _tell_time(self) -> None:
        settings = self.cell.settings
        utc = self._start_time + timedelta(microseconds=self._module.timeline.now_ns // 1000)
        self._zone = (settings.zone_quarters, settings.dst_hours)
        if self._module.clock.follows_network:
            self._module.clock.set_utc(utc, settings.zone_quarters)
        self.time_told.announce(NetworkTime(utc, *self._zone))

    def _cancel(self) -> None:
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
            self._module.consumption.transmit(None)
        if self._transmits is not None:
            self._transmits.cancel()
            self._transmits = None
