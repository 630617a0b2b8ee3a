"""Card, radio, power and air in; registration with a network out (3GPP TS 24.301 5.5, 2G: TS 24.008 4.4).

Who refuses, and what then follows, is in `causes.py`; which cell is chosen, in `selection.py`.
"""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING, Final

from simulator.card.card import CardState
from simulator.kernel.announcement import Announcement
from simulator.kernel.machine import StateMachine
from simulator.kernel.timeline import SECOND_NS, ns
from simulator.module.power import Power
from simulator.module.radio import FULL

from .causes import TIMERS, Action, action_of
from .connection import Connection
from .network_time import NetworkClock
from .requests import ATTACH_NS, Outcomes, Requests
from .selection import Mode, Selection
from .states import REGISTERED, TRANSITIONS, Registered

if TYPE_CHECKING:
    from datetime import datetime

    from simulator.card.card import Card
    from simulator.kernel.machine import Change
    from simulator.kernel.timeline import Wakeup
    from simulator.module.module import Module

    from .air import Air, Cell
    from .settings import NetworkMove, Technology


_UPDATE_NS: Final = SECOND_NS // 2
# A better cell of the same network is taken after so long, if it is better by so much (TS 36.304 5.2.4: Qhyst
# and Treselection are the network's, these are common values from memory).
_RESELECTION_NS, _HYSTERESIS_DB = SECOND_NS, 3.0
# What 2G waits where the network has no periodic update (T3212): an hour (common practice, no source).
_LONG_2G_S: Final = 3600.0
# TS 24.301 5.5.3.2.5: the network no longer knows who the module is, so that it attaches anew.
_ATTACH_ANEW: Final = (9, 10)


class Registration:
    """The module's registration.  `changed` announces each new state or place.

    `knows_network`: it has been registered before, and need not scan all bands.
    """

    def __init__(self, *, module: Module, card: Card, air: Air, start_time: datetime) -> None:
        self.changed: Announcement[None] = Announcement()
        self.reject_cause: int | None = None
        self.cell: Cell | None = None
        self.air = air
        self.knows_network = True
        self.selection = Selection(air=air, card=card)
        self.connection = Connection(module=module, air=air)
        self.clock = NetworkClock(module=module, start_time=start_time)
        self._module, self._card = module, card
        self._attempts = 0
        self._attach_ns = ATTACH_NS
        self._is_card_invalid = False
        self._is_told_to_wait = False
        self._barred_until_ns = 0
        self._requests = Requests(timeline=module.timeline, air=air, connection=self.connection)
        self._update: Wakeup | None = None
        self._reselects: Wakeup | None = None
        self._machine: StateMachine[Registered] = StateMachine(
            lane="module/registration",
            table=TRANSITIONS,
            initial=Registered.IDLE,
            recorder=module.recorder,
        )
        self._machine.changed.listen(self._on_change)
        card.changed.listen(self._on_card)
        card.lists_changed.listen(lambda _: self._on_air())
        module.radio.changed.listen(lambda _: self._on_radio())
        module.power.changed.listen(self._on_power)
        air.changed.listen(lambda _: self._on_air())
        air.detached.listen(self._on_detached)

    @property
    def state(self) -> Registered:
        """The present state."""
        return self._machine.state

    @property
    def is_registered(self) -> bool:
        """Whether the network knows the module."""
        return self.state in REGISTERED

    @property
    def serving(self) -> Cell | None:
        """The cell on which the module is registered."""
        return self.cell if self.is_registered else None

    @property
    def camped(self) -> Cell | None:
        """The cell that the module listens to: its own, else the strongest; None where it hears none."""
        may_receive = self._may_receive or (
            self._module.profile.quirks.hears_while_silent and self._module.power.is_running
        )
        if not may_receive:
            return None
        if self.cell is not None and self.air.is_heard(self.cell):
            return self.cell
        return next(iter(self.air.heard), None)

    @property
    def rssi_dbm(self) -> float | None:
        """The received power that the module reports; None while it hears no cell."""
        if (cell := self.camped) is None:
            return None
        return self.air.rssi_dbm(cell) + self._module.profile.receiver.level_error_db

    @property
    def level_dbm(self) -> float | None:
        """The level that the module reports: RSRP, or a 2G carrier's power; None while it hears no cell."""
        if (cell := self.camped) is None:
            return None
        return self.air.level_dbm(cell) + self._module.profile.receiver.level_error_db

    def network_now(self) -> datetime:
        """The network's local time, aware of its zone: the serving cell's, else the first's."""
        return self.clock.now((self.serving or self.air.first).settings)

    # -- what the user asks --------------------------------------------------------

    def choose(self, mode: Mode, plmn: str = "", technology: Technology | None = None) -> None:
        """Choose the operator, or none: the module leaves one that is no longer wanted."""
        self._is_told_to_wait &= self._module.profile.quirks.searches_once
        self.selection.choose(mode, plmn, technology)
        keeps = self.cell is not None and self.selection.is_suitable(self.cell) and self.is_registered
        if not keeps and self._is_wanted and self.state is not Registered.IDLE:
            self._attempts = 0
            self._machine.happen("give_up", "selection")
        self._review("selection")

    def detach(self) -> None:
        """Leave the network until `attach`, another choice of operator, or radios off and on."""
        self._is_told_to_wait = True
        self._review("command")

    def attach(self) -> None:
        """Be registered again after `detach`, or after the network's order to wait."""
        self._is_told_to_wait = False
        self._review("command")

    # -- what happens around -----------------------------------------------------------

    @property
    def _may_receive(self) -> bool:
        return self._module.power.is_running and self._module.radio.functionality == FULL

    @property
    def _is_wanted(self) -> bool:
        return (
            self._may_receive
            and self._card.state is CardState.READY
            and self.selection.mode is not Mode.NONE
            and not self._is_told_to_wait
        )

    def _review(self, cause: str = "") -> None:
        if self._is_wanted and self.state is Registered.IDLE:
            self._machine.happen("search")
        elif not self._is_wanted and self.state is not Registered.IDLE:
            self._machine.happen("give_up", cause)

    def _on_power(self, change: Change[Power]) -> None:
        if change.after not in (Power.READY, Power.STOPPING):
            keeps = self._module.profile.quirks.restart_keeps_back_off
            self._forget(keep_back_off=keeps and change.after is not Power.NO_SUPPLY)
        self._review(change.after.value)

    def _on_card(self, change: Change[CardState]) -> None:
        if change.after is CardState.ABSENT:
            self._forget(keep_back_off=True)
        self._review("card")

    def _on_radio(self) -> None:
        self._attempts, self._is_told_to_wait = 0, False
        self._review("radio")

    def _forget(self, *, keep_back_off: bool) -> None:
        """Switched off, or the card has gone: the card may be tried again, everywhere."""
        self.selection.forget()
        self._attempts = 0
        self._is_card_invalid = self._is_told_to_wait = False
        self.reject_cause = None
        if not keep_back_off:
            self._barred_until_ns = 0

    def _on_air(self) -> None:
        match self.state:
            case Registered.HOME | Registered.ROAMING:
                self._review_cell()
            case Registered.ATTACHING | Registered.WAITING:
                if self.cell is not None and not self.air.is_heard(self.cell):
                    self._attempts = 0  # a new area, or none (TS 24.301 5.5.1.1)
                    self._machine.happen("cell_lost")
            case Registered.DENIED:
                if not self._is_card_invalid and self.selection.best() is not None:
                    self._machine.happen("cell_moved")
            case Registered.SEARCHING:
                self._search()

    def _on_detached(self, order: NetworkMove) -> None:
        """The network detaches the module (TS 24.301 5.5.2.3)."""
        cell = self.serving
        if cell is None or cell.name != order.cell:
            return
        self.connection.use(cell, _UPDATE_NS)
        if order.cause is not None:
            self._rejected(order.cause)
        elif order.detach == "again":
            self._machine.happen("detached", "network")
        else:
            self._is_told_to_wait = True
            self._review("network")

    @property
    def _asked(self) -> Cell:
        """The cell that is asked, or served by: there is one from the state `attaching` on."""
        assert self.cell is not None  # noqa: S101 # the table of states sees to it
        return self.cell

    # -- searching and attaching -----------------------------------------------------------

    def _on_change(self, change: Change[Registered]) -> None:
        state = change.after
        if state in (Registered.IDLE, Registered.HOME, Registered.ROAMING) and not self._is_card_invalid:
            self.reject_cause = None
        self._cancel()
        if change.before in REGISTERED and self._module.profile.quirks.searches_once:
            self._is_told_to_wait = True
        match state:
            case Registered.SEARCHING:
                if self.cell is not None and not self.air.is_heard(self.cell):
                    self.connection.close()
                self.cell = None
                self._search()
            case Registered.ATTACHING:
                self._attempt()
            case Registered.HOME | Registered.ROAMING:
                self._attempts = 0
                self._await_update()
            case Registered.IDLE:
                self._leave(change.before)
                self.cell = None
        if self.state is state:  # a search that finds nothing allowed has told its own news
            self.changed.announce(None)

    def _leave(self, before: Registered) -> None:
        """Who was registered and may transmit says that it goes (TS 24.301 5.5.2.2)."""
        if self._may_receive and before in REGISTERED:
            self.connection.use(self._asked, _UPDATE_NS)
        elif not self._may_receive:
            self.connection.close()

    def _search(self) -> None:
        """Attach after the profile's delay, if a cell is found; otherwise wait for one."""
        if self._is_told_to_wait:
            self._machine.happen("give_up")
        elif self._is_card_invalid or self.selection.is_barred:
            self._machine.happen("nothing_allowed")
        elif self.selection.best() is None:
            self._cancel()
        elif not self._requests.is_waiting:
            draws, delays = self._module.draws, self._module.profile.delays
            delay_ns = draws.draw_ns("registration", delays.registration_s)
            if not self.knows_network:
                delay_ns += draws.draw_ns("band_scan", delays.band_scan_s)
            attach_ns = min(ATTACH_NS, delay_ns // 2)
            barred_ns = self._barred_until_ns - self._module.timeline.now_ns
            self._requests.wait(max(delay_ns - attach_ns, barred_ns), lambda: self._found(attach_ns))

    def _found(self, attach_ns: int) -> None:
        self.cell = self.selection.best()
        if self.cell is None:
            self._search()
            return
        self._attach_ns = attach_ns
        self._machine.happen("found")

    def _attempt(self) -> None:
        """One request to attach (TS 24.301 5.5.1.2)."""
        self._attempts += 1
        self._requests.ask(
            self._asked, self._attach_ns, Outcomes(self._accepted, self._rejected, self._failed)
        )

    def _accepted(self) -> None:
        cell = self._asked
        self.knows_network = True
        self.clock.tell(cell.settings)
        self._machine.happen(
            "accepted_home" if self.selection.is_home(cell) else "accepted_roaming", "network"
        )

    def _rejected(self, cause: int) -> None:
        """The network refuses: the table of causes says what follows."""
        cell = self._asked
        settings = cell.settings
        self.reject_cause = cause
        whatever = self._module.profile.quirks.retries_whatever_the_cause
        match Action.RETRY if whatever else action_of(cause, settings):
            case Action.RETRY:
                self._failed(f"cause {cause}")
                return
            case Action.RETRY_LATE:
                self._attempts = TIMERS[settings.technology].most
                self._failed(f"cause {cause}")
                return
            case Action.BACK_OFF:
                self._attempts = 0
                if not self._module.profile.quirks.ignores_long_waits:
                    self._barred_until_ns = self._module.timeline.now_ns + ns(settings.back_off_s or 0)
                self._wait(settings.back_off_s or 0, f"cause {cause}")
                return
            case Action.CARD_INVALID:
                self._is_card_invalid = True
            case action:
                self.selection.bar(action, cell)
        self._attempts = 0
        elsewhere = not self._is_card_invalid and self.selection.best() is not None
        self._machine.happen("rejected_here" if elsewhere else "rejected", f"cause {cause}")

    def _failed(self, cause: str) -> None:
        """An attempt has failed: a short wait, after the last of them the long one (TS 24.301 5.5.1.2.6)."""
        cell = self._asked
        timers, settings = TIMERS[cell.settings.technology], cell.settings
        if self._attempts < timers.most:
            self._wait(timers.retry_s, cause)
            return
        self._attempts = 0
        long_s = settings.t3402_s if settings.technology == "lte" else settings.update_s or _LONG_2G_S
        self._wait(long_s, cause)

    def _wait(self, seconds: float, cause: str) -> None:
        cell, quirks = self._asked, self._module.profile.quirks
        if quirks.gives_up_at_first_failure:
            self._is_told_to_wait = True
            self._review(cause)
            return
        if quirks.ignores_long_waits:
            seconds = TIMERS[cell.settings.technology].retry_s
        self._machine.happen("failed", cause)
        self._attach_ns = ATTACH_NS
        self._requests.wait(ns(seconds), lambda: self._machine.happen("try_again", "timer"))

    # -- registered ------------------------------------------------------------------------

    def _await_update(self) -> None:
        """Once in a while the module tells the network that it is still there (T3412, T3212)."""
        cell = self.cell
        if cell is not None and cell.settings.update_s:
            self._update = self._module.timeline.call_in(ns(cell.settings.update_s), self._update_now)

    def _update_now(self) -> None:
        """Update the area (TS 24.301 5.5.3.2); the module stays registered while it tries."""
        self._cancel()
        self._attempts += 1
        cell = self.cell
        if cell is not None and cell.settings.answers and cell.settings.deny_cause in _ATTACH_ANEW:
            self.connection.use(cell, _UPDATE_NS)
            self._requests.wait(
                _UPDATE_NS, lambda: self._machine.happen("detached", f"cause {cell.settings.deny_cause}")
            )
            return
        self._requests.ask(
            self._asked, _UPDATE_NS, Outcomes(self._updated, self._rejected, self._update_failed)
        )

    def _updated(self) -> None:
        self._attempts = 0
        self._await_update()
        if self.cell is not None:
            self.clock.review(self.cell.settings)

    def _update_failed(self, cause: str) -> None:
        cell = self._asked
        timers = TIMERS[cell.settings.technology]
        if self._attempts < timers.most:
            self._requests.wait(ns(timers.retry_s), self._update_now)
        else:
            self._failed(cause)

    def _review_cell(self) -> None:
        """The air has changed for a module that is registered."""
        cell = self._asked
        if not self.air.is_heard(cell):
            other = self.selection.other(cell)
            if other is None:
                self._machine.happen("cell_lost")
            else:
                self._move_to(other)
            return
        self.clock.review(cell.settings)
        if self._reselects is None and self.selection.other(cell, better_by_db=_HYSTERESIS_DB) is not None:
            self._reselects = self._module.timeline.call_in(_RESELECTION_NS, self._reselect)

    def _reselect(self) -> None:
        self._reselects = None
        if self.cell is not None and (other := self.selection.other(self.cell, better_by_db=_HYSTERESIS_DB)):
            self._move_to(other)

    def _move_to(self, other: Cell) -> None:
        """Go over to another cell of the same network; in another area the network is told."""
        before, self.cell = self.cell, other
        self._module.recorder.record("module/registration", "cell", name=other.name)
        if before is not None and before.settings.area != other.settings.area:
            self._update_now()
        self.changed.announce(None)

    def _cancel(self) -> None:
        self._requests.cancel()
        for pending in (self._update, self._reselects):
            if pending is not None:
                pending.cancel()
        self._update = self._reselects = None
