"""Events of power in, the module's power state out.

Every change of power state stands in one table, a row each: (event, from, to).  The machine is built
from it and tests walk it; there is no second copy.  What is not listed is ignored by the device and
recorded as ignored.  Knows nothing of keys, ports or AT: they tell it what happened.
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement
from simulator.kernel.machine import StateMachine
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.machine import Change
    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .profile import Profile
    from .spread import Draws


class Power(Enum):
    """The module's power states, in the words of the recording."""

    NO_SUPPLY = "no supply"
    OFF = "off"
    BOOTING = "booting"
    READY = "ready"
    STOPPING = "stopping"
    DEAD = "dead"


TRANSITIONS: Final = (
    ("supply_up", Power.NO_SUPPLY, Power.OFF),
    ("start", Power.OFF, Power.BOOTING),
    ("boot_done", Power.BOOTING, Power.READY),
    ("stop", Power.BOOTING, Power.STOPPING),
    ("stop", Power.READY, Power.STOPPING),
    ("stop_done", Power.STOPPING, Power.OFF),
    ("restart", Power.BOOTING, Power.BOOTING),
    ("restart", Power.READY, Power.BOOTING),
    ("supply_lost", Power.OFF, Power.NO_SUPPLY),
    ("supply_lost", Power.BOOTING, Power.NO_SUPPLY),
    ("supply_lost", Power.READY, Power.NO_SUPPLY),
    ("supply_lost", Power.STOPPING, Power.NO_SUPPLY),
)

# Longer than any dead window.
_LONG_AGO_NS: Final = ns(3600)

RUNNING: Final = frozenset({Power.BOOTING, Power.READY})


class PowerMachine:
    """The power state of one module, with the delays between states.

    `since_ns` is the instant at which the present state began; `was_cut_off` that the rail was lost while
    the module ran, so that it starts again by itself when that is back.  `ending` is announced just before an
    orderly stop ends, while the ports are still there: the moment of the farewell line; `last_words_ns` says
    how long that takes on the wire.
    """

    def __init__(
        self,
        *,
        timeline: Timeline,
        recorder: Recorder,
        draws: Draws,
        profile: Profile,
        initial: Power = Power.NO_SUPPLY,
    ) -> None:
        self.ending: Announcement[None] = Announcement()
        self.last_words_ns: Callable[[], int] | None = None
        self.since_ns = timeline.now_ns
        self.off_by_supply = initial is Power.NO_SUPPLY
        self.was_cut_off = False
        self._timeline, self._draws, self._profile = timeline, draws, profile
        self._machine: StateMachine[Power] = StateMachine(
            lane="module/power", table=TRANSITIONS, initial=initial, recorder=recorder
        )
        self._pending: list[Wakeup] = []
        self._machine.changed.listen(self._on_change)

    @property
    def state(self) -> Power:
        """The present state."""
        return self._machine.state

    @property
    def changed(self) -> Announcement[Change[Power]]:
        """Announces each change of state."""
        return self._machine.changed

    @property
    def is_running(self) -> bool:
        """Whether the module boots or is ready."""
        return self.state in RUNNING

    def supply(self, *, present: bool) -> None:
        """The rail came or went."""
        self._machine.happen("supply_up" if present else "supply_lost", "supply")

    def forget(self) -> None:
        """The rail fell so low that nothing in the module knows any more that it ran."""
        self.was_cut_off = False

    def hold_auto_start(self) -> None:
        """Count as off for long: stay so although the supply is there, until it is cut and comes again."""
        self.since_ns = self._timeline.now_ns - _LONG_AGO_NS
        self.was_cut_off = False
        for wakeup in self._pending:
            wakeup.cancel()
        self._pending.clear()

    def start(self, cause: str) -> None:
        """Begin to boot, if off."""
        self._machine.happen("start", cause)

    def boot_done(self) -> None:
        """The first port answers."""
        self._machine.happen("boot_done", "boot")

    def stop(self, cause: str) -> None:
        """Begin an orderly stop, if running."""
        self._machine.happen("stop", cause)

    def restart(self, cause: str) -> None:
        """Boot afresh at once, without a farewell, if running."""
        self._machine.happen("restart", cause)

    def _on_change(self, change: Change[Power]) -> None:
        self.since_ns = self._timeline.now_ns
        for wakeup in self._pending:
            wakeup.cancel()
        self._pending.clear()
        if change.after is Power.NO_SUPPLY:
            self.was_cut_off = self.was_cut_off or change.before in RUNNING
        elif change.after is Power.BOOTING:
            self.was_cut_off = False
        if change.after is Power.OFF:
            self.off_by_supply = change.before is Power.NO_SUPPLY
            auto_start_s = self._profile.supply.auto_start_s
            if self.off_by_supply and self.was_cut_off:
                self._after(ns(self._profile.supply.restart_after_s), lambda: self.start("brown-out"))
            elif self.off_by_supply and auto_start_s is not None:
                self._after(ns(auto_start_s), lambda: self.start("supply"))
        elif change.after is Power.STOPPING:
            self._after(self._draws.draw_ns("stop", self._profile.delays.stop_s), self._stop_done)

    def _after(self, delay_ns: int, action: Callable[[], None]) -> None:
        self._pending.append(self._timeline.call_in(delay_ns, action))

    def _stop_done(self) -> None:
        self.ending.announce(None)
        last_words_ns = self.last_words_ns() if self.last_words_ns is not None else 0
        if last_words_ns:
            self._after(last_words_ns, self._off)
        else:
            self._off()

    def _off(self) -> None:
        self._machine.happen("stop_done", "stopped")
