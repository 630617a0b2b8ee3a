"""The source at the header in, the module's rail over time out.

The rail's course comes in closed form (`course.py`); here are the instants that matter: the regulator
locks out and comes back, the rail becomes good, sags, is lost, is forgotten.  What the module draws
changes by `set_demand`.  Bursts need no event of their own unless one of them crosses a threshold.
"""

from __future__ import annotations

import math
from collections import deque
from enum import Enum
from typing import TYPE_CHECKING, Annotated, Final, Protocol

from pydantic import Field

from simulator.kernel.announcement import Announcement
from simulator.kernel.machine import StateMachine
from simulator.kernel.section import NotNegative, Positive, Section
from simulator.kernel.timeline import SECOND_NS, ns

from .course import Course, Demand

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .course import Crossing
    from .feed import SupplyPath
    from .rail import Feed


# Past courses that are kept for who asks for the lowest volts: more than a suite looks back.
_KEPT_COURSES: Final = 4096

# Longer than any rail takes to charge.
_LONG_S: Final = 3600.0


class RailNeeds(Protocol):
    """What a module needs of its rail, in volts and seconds (the profile's section `supply`)."""

    @property
    def lockout_v(self) -> float:
        """Below this, for *lockout_after_s*, the module stops at once."""

    @property
    def lockout_after_s(self) -> float:
        """How long the rail has to be below."""

    @property
    def restart_v(self) -> float:
        """Above this it can start."""

    @property
    def forgets_below_v(self) -> float:
        """Below this it no longer knows that it was on."""

    @property
    def warning_v(self) -> float:
        """Below this, as a mean over *warning_averaged_s*, it calls the rail low."""

    @property
    def warning_averaged_s(self) -> float:
        """The span of that mean."""


class SupplySettings(Section):
    """The source at the header that a bench file describes."""

    volts: Annotated[float, Field(ge=0, le=60)] = 5.0
    resistance_ohm: NotNegative = 0.05
    limit_a: Positive = 3.0


class RailState(Enum):
    """What the module makes of its rail, in the words of the recording."""

    LOST = "lost"
    GOOD = "good"
    LOW = "low"


TRANSITIONS: Final = (
    ("rail_up", RailState.LOST, RailState.GOOD),
    ("mean_low", RailState.GOOD, RailState.LOW),
    ("mean_good", RailState.LOW, RailState.GOOD),
    ("lock_out", RailState.GOOD, RailState.LOST),
    ("lock_out", RailState.LOW, RailState.LOST),
)


class Supply:
    """The source and the rail behind it.

    `source_changed` announces that the source was turned on or off, `rail_changed` that the module's
    rail became good or was lost, `forgotten` that it fell so low that the module forgets its past.
    `coulombs` is the charge drawn so far, by the label of the demand.
    """

    def __init__(
        self,
        settings: SupplySettings,
        *,
        path: SupplyPath,
        needs: RailNeeds,
        timeline: Timeline,
        recorder: Recorder,
    ) -> None:
        self.volts = settings.volts
        self.is_on = False
        self.source_changed: Announcement[bool] = Announcement()
        self.rail_changed: Announcement[bool] = Announcement()
        self.forgotten: Announcement[None] = Announcement()
        self.coulombs: dict[str, float] = {}
        self._settings, self._path, self._needs = settings, path, needs
        self._timeline, self._recorder = timeline, recorder
        self._machine: StateMachine[RailState] = StateMachine(
            lane="module/supply", table=TRANSITIONS, initial=RailState.LOST, recorder=recorder
        )
        self._machine.changed.listen(
            lambda change: (
                None
                if RailState.LOST not in (change.before, change.after)
                else self.rail_changed.announce(change.after is RailState.GOOD)
            )
        )
        self._rail = path.rail()
        self._demand = Demand(label="no supply", amps=0.0)
        self._regulator_on = not path.has_regulator
        self._began_ns = timeline.now_ns
        self._bursts_began_ns = timeline.now_ns
        self._feed = self._feed_now()
        self._course = Course.of(self._rail, self._feed, self._demand, 0.0)
        self._area_vs = 0.0
        self._past: deque[tuple[int, int, Course]] = deque(maxlen=_KEPT_COURSES)
        self._below = False
        self._has_forgotten = True
        self._window_ns: int | None = None  # since when the mean is looked at
        self._crossing: Wakeup | None = None
        self._timers: dict[str, Wakeup] = {}

    # -- what others do to it -----------------------------------------------------------

    def turn(self, *, on: bool) -> None:
        """Turn the source on or off."""
        if on is self.is_on:
            return
        self._close_course()
        self.is_on = on
        self._source_moved()
        self.source_changed.announce(on)

    def begin_on(self) -> None:
        """The source has been on for long: everything is charged (called at the beginning of a run)."""
        self.is_on = True
        self._regulator_on = not self._path.has_regulator or self.volts >= self._path.restart_v
        self._feed = self._feed_now()
        settled_v = Course(self._rail, self._feed, self._demand, 0.0).volts(_LONG_S)
        self._course = Course.of(self._rail, self._feed, self._demand, settled_v)
        self._recorder.record("supply/rail", "volts", value=round(self.rail_v, 6))
        self.source_changed.announce(self.is_on)
        if settled_v >= self._needs.restart_v:
            self._has_forgotten = False
            self._machine.happen("rail_up", "rail")
        self._watch()

    def set_volts(self, volts: float) -> None:
        """Set the source to *volts* (0 to 60)."""
        if not 0 <= volts <= 60:  # noqa: PLR2004 # as in `SupplySettings`
            raise ValueError(f"the supply is 0 to 60 V, not {volts:g}")
        self._close_course()
        self.volts = volts
        self._source_moved()

    def set_limit(self, amps: float) -> None:
        """Let the source give no more than *amps* (above 0, to 100)."""
        self._close_course()
        self._settings = SupplySettings.model_validate({**self._settings.model_dump(), "limit_a": amps})
        self._source_moved()

    def set_demand(self, demand: Demand) -> None:
        """The module draws something else from now on."""
        if demand == self._demand:
            return
        self._close_course()
        if demand.burst_a and demand.burst_a != self._demand.burst_a:
            self._bursts_began_ns = self._timeline.now_ns
        self._demand = demand
        self._open_course()
        if demand.burst_a:
            self._recorder.record(
                "supply/rail",
                "amps",
                value=round(demand.amps, 9),
                burst=round(demand.burst_a, 9),
                low_v=round(self._course.lowest(0.0, math.inf), 6),
            )
        else:
            self._recorder.record("supply/rail", "amps", value=round(demand.amps, 9))

    # -- what it shows ------------------------------------------------------------------

    @property
    def is_good(self) -> bool:
        """Whether the module's rail is there."""
        return self._machine.state is not RailState.LOST

    @property
    def is_low(self) -> bool:
        """Whether the mean of the rail is below the module's warning."""
        return self._machine.state is RailState.LOW

    @property
    def rail_v(self) -> float:
        """The module's rail in volts now."""
        return self._course.volts(self._passed_s())

    @property
    def drawn_a(self) -> float:
        """The mean current from the source, in amperes: nothing while it is off."""
        return self._demand.mean_a if self.is_on else 0.0

    @property
    def limit_a(self) -> float:
        """What the source gives at most, in amperes."""
        return self._settings.limit_a

    def lowest_v(self, *, since_ns: int) -> float:
        """The lowest volts of the rail from an instant until now."""
        now_ns = self._timeline.now_ns
        courses = [*self._past, (self._began_ns, now_ns, self._course)]
        return min(
            course.lowest((max(began_ns, since_ns) - began_ns) / SECOND_NS, (end_ns - began_ns) / SECOND_NS)
            for began_ns, end_ns, course in courses
            if end_ns >= since_ns
        )

    def charge(self) -> dict[str, float]:
        """Coulombs drawn so far, by the label of what drew them."""
        drawn = dict(self.coulombs)
        label = self._demand.label
        drawn[label] = drawn.get(label, 0.0) + self._demand.mean_a * self._passed_s()
        return {label: coulombs for label, coulombs in drawn.items() if coulombs > 0.0}

    # -- courses --------------------------------------------------------------------------

    def _passed_s(self) -> float:
        return (self._timeline.now_ns - self._began_ns) / SECOND_NS

    def _feed_now(self) -> Feed:
        return self._path.feed(
            volts=self.volts,
            ohm=self._settings.resistance_ohm,
            limit_a=self._settings.limit_a,
            on=self.is_on and self._regulator_on,
        )

    def _close_course(self) -> None:
        """Account for the course so far, and keep what is needed of it."""
        passed_s = self._passed_s()
        if passed_s == 0.0:
            return
        label = self._demand.label
        self.coulombs[label] = self.coulombs.get(label, 0.0) + self._demand.mean_a * passed_s
        if self._window_ns is not None:
            self._area_vs += self._course.integral(passed_s)
        self._past.append((self._began_ns, self._timeline.now_ns, self._course))

    def _open_course(self) -> None:
        # To the nanovolt: far finer than anything here is known, and courses that are alike meet.
        capacitor_v = round(self._course.capacitor(self._passed_s()), 9)
        self._began_ns = self._timeline.now_ns
        age_s = (self._began_ns - self._bursts_began_ns) / SECOND_NS if self._demand.burst_a else 0.0
        self._course = Course.of(self._rail, self._feed, self._demand, capacitor_v, age_s)
        self._watch()

    def _source_moved(self) -> None:
        """The source is another now: the regulator may lock out or come back."""
        if self._path.has_regulator:
            if self._regulator_on and not (self.is_on and self.volts >= self._path.lockout_v):
                self._switch_regulator(on=False, cause="input")
            comes_back = self.is_on and self.volts >= self._path.restart_v
            if self._regulator_on or not comes_back:
                self._stop_timer("regulator")
            elif "regulator" not in self._timers:
                self._timer("regulator", self._path.start_s, self._regulator_comes)
        self._feed = self._feed_now()
        self._open_course()
        self._recorder.record("supply/rail", "volts", value=round(self.rail_v, 6))

    def _regulator_comes(self) -> None:
        self._close_course()
        self._switch_regulator(on=True, cause="input")
        self._open_course()

    def _regulator_locks_out(self) -> None:
        """Its input has sagged too far; with its load gone, that comes back, and so does the regulator."""
        self._close_course()
        self._switch_regulator(on=False, cause="lock-out")
        self._open_course()
        if self.volts >= self._path.restart_v:
            self._timer("regulator", self._path.start_s, self._regulator_comes)

    def _switch_regulator(self, *, on: bool, cause: str) -> None:
        self._regulator_on = on
        self._feed = self._feed_now()
        before, after = ("off", "on") if on else ("on", "off")
        self._recorder.record("supply/regulator", "state", **{"from": before, "to": after}, cause=cause)

    # -- instants ---------------------------------------------------------------------------

    def _watch(self) -> None:
        """Wake up at the next instant at which the rail crosses something that matters."""
        if self._crossing is not None:
            self._crossing.cancel()
            self._crossing = None
        needs = self._needs
        falling: dict[float, Callable[[], None]] = {}
        rising: dict[float, Callable[[], None]] = {}
        if self.is_good:
            if not self._below:
                falling[needs.lockout_v] = self._goes_below
            else:
                rising[needs.lockout_v] = self._comes_back
            if self._window_ns is None:
                falling[needs.warning_v] = self._sags
        else:
            rising[needs.restart_v] = self._is_up
            if not self._has_forgotten:
                falling[needs.forgets_below_v] = self._forgets
        if self._regulator_on and self.is_on:
            lockout_rail_v = self._path.lockout_rail_v(self._feed)
            if math.isfinite(lockout_rail_v):
                falling[lockout_rail_v] = self._regulator_locks_out
        crossing = self._course.first_crossing(after_s=self._passed_s(), falling=falling, rising=rising)
        if crossing is not None:
            self._arm(crossing, rising if crossing.rising else falling)

    def _arm(self, crossing: Crossing, actions: dict[float, Callable[[], None]]) -> None:
        # Rounded up: at the instant of the call the rail is there.
        at_ns = max(self._began_ns + math.ceil(crossing.at_s * SECOND_NS), self._timeline.now_ns)
        action = actions[crossing.level]

        def cross() -> None:
            self._crossing = None
            action()
            if self._crossing is None:
                self._watch()

        self._crossing = self._timeline.call_at(at_ns, cross)

    def _goes_below(self) -> None:
        self._below = True
        self._timer("lock-out", self._needs.lockout_after_s, self._is_lost)

    def _comes_back(self) -> None:
        self._below = False
        self._stop_timer("lock-out")

    def _is_lost(self) -> None:
        self._below, self._window_ns = False, None
        self._stop_timer("window")
        self._recorder.record("supply/rail", "volts", value=round(self.rail_v, 6))
        self._machine.happen("lock_out", "rail")
        self._watch()

    def _is_up(self) -> None:
        self._has_forgotten = False
        self._recorder.record("supply/rail", "volts", value=round(self.rail_v, 6))
        self._machine.happen("rail_up", "rail")

    def _forgets(self) -> None:
        self._has_forgotten = True
        self.forgotten.announce(None)

    def _sags(self) -> None:
        """Below the warning for an instant: look at the mean from here on."""
        self._area_vs = -self._course.integral(self._passed_s())
        self._window_ns = self._timeline.now_ns
        self._timer("window", self._needs.warning_averaged_s, self._look_at_mean)

    def _look_at_mean(self) -> None:
        if self._window_ns is None:
            return
        area_vs = self._area_vs + self._course.integral(self._passed_s())
        mean_v = area_vs / ((self._timeline.now_ns - self._window_ns) / SECOND_NS)
        self._window_ns = None
        low = mean_v < self._needs.warning_v
        if low is not self.is_low:
            self._recorder.record("supply/rail", "volts", value=round(mean_v, 6))
            self._machine.happen("mean_low" if low else "mean_good", "rail")
        if low:
            self._sags()
        self._watch()

    def _timer(self, name: str, delay_s: float, action: Callable[[], None]) -> None:
        self._stop_timer(name)

        def ring() -> None:
            del self._timers[name]
            action()

        self._timers[name] = self._timeline.call_in(ns(delay_s), ring)

    def _stop_timer(self, name: str) -> None:
        wakeup = self._timers.pop(name, None)
        if wakeup is not None:
            wakeup.cancel()
