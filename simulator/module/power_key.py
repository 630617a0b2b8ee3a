"""Edges at the power key in, starts, stops and resets out.

What a press does is decided by the state in which it *begins*.  A press begun in a dead window is
ignored whole; one press does one thing.  Knows no pin and no polarity: the board says asserted or not.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simulator.kernel.timeline import ns

from .power import RUNNING, Power

if TYPE_CHECKING:
    from simulator.kernel.machine import Change
    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .power import PowerMachine
    from .profile import Key
    from .spread import Draws


@dataclass(slots=True, kw_only=True)
class _Press:
    """One press under way."""

    began_ns: int
    start_ns: int | None = None  # acts as a start once held this long, on release
    stop_ns: int | None = None  # likewise as a stop
    wakeups: list[Wakeup] = field(default_factory=list)

    def spend(self) -> None:
        """The press has done its one thing, or must not do any."""
        self.start_ns = self.stop_ns = None
        for wakeup in self.wakeups:
            wakeup.cancel()
        self.wakeups.clear()


class PowerKey:
    """The power key of one module.

    Thresholds are drawn for each press.  A key held since before the module went off, and still held
    `Key.tied_restart_s` later (after the supply came: once that is stable), begins a new press then.
    *resets_begun_off* is the quirk of that name.
    """

    def __init__(
        self,
        *,
        timeline: Timeline,
        recorder: Recorder,
        draws: Draws,
        key: Key,
        power: PowerMachine,
        resets_begun_off: bool = False,
    ) -> None:
        self._timeline, self._recorder, self._draws = timeline, recorder, draws
        self._resets_begun_off = resets_begun_off
        self._key, self._power = key, power
        self._press: _Press | None = None
        power.changed.listen(self._on_power)

    @property
    def is_asserted(self) -> bool:
        """Whether the key is held now."""
        return self._press is not None

    def set(self, *, asserted: bool) -> None:
        """The key is asserted or not from now on; saying it again changes nothing."""
        if asserted and self._press is None:
            self._press = self._begin()
        elif not asserted and self._press is not None:
            press, self._press = self._press, None
            self._release(press)

    def _begin(self) -> _Press:
        now_ns = self._timeline.now_ns
        press = _Press(began_ns=now_ns)
        state = self._power.state
        if state is Power.DEAD or state is Power.NO_SUPPLY:
            return press
        if now_ns < self._deaf_until_ns():
            self._ignored("press in a dead window")
        elif state is Power.OFF:
            self._arm_start(press)
        else:
            self._arm_stop(press)
        return press

    def _deaf_until_ns(self) -> int:
        """Presses that begin before this instant are ignored whole."""
        key, state = self._key, self._power.state
        if state is Power.STOPPING:
            return self._timeline.now_ns + 1
        if state is Power.OFF:
            dead_s = key.dead_after_supply_s if self._power.off_by_supply else key.dead_after_off_s
        elif state is Power.BOOTING:
            dead_s = key.dead_in_boot_s
        else:
            return 0
        return self._power.since_ns + ns(dead_s)

    def _arm_start(self, press: _Press) -> None:
        threshold_ns = self._draws.draw_ns("key/start", self._key.start_s)
        if self._key.start_acts == "release":
            press.start_ns = threshold_ns
            return

        def act() -> None:
            press.spend()
            self._power.start("key")
            if self._resets_begun_off:
                self._arm_reset(press, press.began_ns)

        press.wakeups.append(self._timeline.call_in(threshold_ns, act))

    def _arm_stop(self, press: _Press) -> None:
        threshold_ns = self._draws.draw_ns("key/stop", self._key.stop_s)
        if self._key.stop_acts == "release":
            press.stop_ns = threshold_ns
        else:

            def stop() -> None:
                press.spend()
                self._power.stop("key")

            press.wakeups.append(self._timeline.call_in(threshold_ns, stop))
        self._arm_reset(press, press.began_ns)

    def _arm_reset(self, press: _Press, began_ns: int) -> None:
        if self._key.reset_s is None:
            return

        def reset() -> None:
            press.spend()
            self._power.restart("key held")

        reset_ns = self._draws.draw_ns("key/reset", self._key.reset_s)
        press.wakeups.append(self._timeline.call_at(began_ns + reset_ns, reset))

    def _release(self, press: _Press) -> None:
        held_ns = self._timeline.now_ns - press.began_ns
        start_ns, stop_ns, was_armed = press.start_ns, press.stop_ns, bool(press.wakeups)
        press.spend()
        if start_ns is not None and held_ns >= start_ns and self._power.state is Power.OFF:
            self._power.start("key")
        elif stop_ns is not None and held_ns >= stop_ns and self._power.state in RUNNING:
            self._power.stop("key")
        elif was_armed or start_ns is not None or stop_ns is not None:
            self._ignored("press too short")

    def _on_power(self, change: Change[Power]) -> None:
        press = self._press
        if press is None:
            return
        if change.after is not Power.READY:  # boot_done does not touch a press; all else ends its meaning
            press.spend()
        if change.after is Power.OFF and self._key.tied_restart_s is not None:
            from_supply = change.before is Power.NO_SUPPLY
            wait_s = self._key.dead_after_supply_s if from_supply else self._key.tied_restart_s

            def begin_anew() -> None:
                press.spend()
                press.began_ns = self._timeline.now_ns
                self._arm_start(press)

            press.wakeups.append(self._timeline.call_in(ns(wait_s), begin_anew))

    def _ignored(self, event: str) -> None:
        self._recorder.record("module/power", "ignored", event=event, state=self._power.state.value)
