"""What the module does in, what it draws from its rail out.

Currents are the profile's, by state; inrush and transmit bursts lie on top.  Knows no rail: whoever
feeds the module listens.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

from simulator.board.course import Demand
from simulator.kernel.announcement import Announcement
from simulator.kernel.timeline import ns

from .power import Power

if TYPE_CHECKING:
    from simulator.kernel.machine import Change
    from simulator.kernel.timeline import Timeline, Wakeup

    from .power import PowerMachine
    from .profile import Currents

Technology = Literal["lte", "2g"]


def all_demands(currents: Currents, technology: Technology) -> tuple[Demand, ...]:
    """What a module draws from off to transmitting, in the order of a power-up."""
    return (
        Demand(label="off", amps=currents.off_a),
        _inrush(currents),
        Demand(label="boot", amps=currents.boot_a),
        Demand(label="idle with USB", amps=currents.idle_usb_a),
        _transmit(currents, technology, currents.idle_usb_a),
    )


def _inrush(currents: Currents) -> Demand:
    return Demand(label="inrush", amps=currents.boot_a + currents.inrush_a)


def _transmit(currents: Currents, technology: Technology, idle_a: float) -> Demand:
    burst = currents.lte_transmit if technology == "lte" else currents.gsm_transmit
    return Demand(
        label=f"transmit {technology}",
        amps=idle_a,
        burst_a=burst.amps,
        on_s=burst.on_s,
        every_s=burst.every_s,
    )


class Consumption:
    """The current of one module.  `changed` announces each new demand."""

    def __init__(self, *, timeline: Timeline, currents: Currents, power: PowerMachine) -> None:
        self.changed: Announcement[Demand] = Announcement()
        self.demand = Demand(label="no supply", amps=0.0)
        self._timeline, self._currents, self._power = timeline, currents, power
        self._on_usb = self._rests = False
        self._transmits: Technology | None = None
        self._inrush: Wakeup | None = None
        power.changed.listen(self._on_power)

    def set_usb(self, *, awake: bool) -> None:
        """The module is on a bus that is awake, or no longer."""
        self._on_usb = awake
        self._settle()

    def set_resting(self, resting: bool) -> None:
        """The serial interface rests, or no longer."""
        self._rests = resting
        self._settle()

    def transmit(self, technology: Technology | None) -> None:
        """The module transmits bursts of *technology* from now on, or none."""
        self._transmits = technology
        self._settle()

    def _on_power(self, change: Change[Power]) -> None:
        self._end_inrush()
        if change.after is not Power.READY:
            self._transmits = None
        if change.after is Power.BOOTING and self._currents.inrush_s > 0:
            self._inrush = self._timeline.call_in(ns(self._currents.inrush_s), self._inrush_over)
        self._settle()

    def _inrush_over(self) -> None:
        self._inrush = None
        self._settle()

    def _end_inrush(self) -> None:
        if self._inrush is not None:
            self._inrush.cancel()
            self._inrush = None

    def _settle(self) -> None:
        demand = self._now()
        if demand != self.demand:
            self.demand = demand
            self.changed.announce(demand)

    def _now(self) -> Demand:
        currents, state = self._currents, self._power.state
        if state is Power.NO_SUPPLY:
            return Demand(label="no supply", amps=currents.off_a)  # it leaks, locked out or not
        if state in (Power.OFF, Power.DEAD):
            return Demand(label="off", amps=currents.off_a)
        if self._inrush is not None:
            return _inrush(currents)
        if state is Power.BOOTING:
            return Demand(label="boot", amps=currents.boot_a)
        return self._running(transmits=self._transmits if state is Power.READY else None)

    def _running(self, *, transmits: Technology | None) -> Demand:
        currents = self._currents
        idle_a = currents.idle_usb_a if self._on_usb else currents.idle_uart_a
        if transmits is not None:
            return _transmit(currents, transmits, idle_a)
        if self._on_usb:
            return Demand(label="idle with USB", amps=idle_a)
        if self._rests:
            return Demand(label="rest", amps=currents.rest_a)
        return Demand(label="idle", amps=idle_a)
