"""Signalling under way in, transmit bursts and the connection's mode out.

The mode is that of TS 27.007 10.1.30: idle, or connected from the first transmission until the network has
released the connection after its time of inactivity.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.kernel.announcement import Announcement
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from simulator.kernel.timeline import Wakeup
    from simulator.module.module import Module

    from .air import Air, Cell


class Connection:
    """The module's connection with the cell that it uses.  `changed` announces when it begins and ends."""

    def __init__(self, *, module: Module, air: Air) -> None:
        self.changed: Announcement[bool] = Announcement()
        self.is_connected = False
        self._module, self._air = module, air
        self._until_ns = 0
        self._silent: Wakeup | None = None
        self._released: Wakeup | None = None

    def use(self, cell: Cell, for_ns: int) -> None:
        """Transmit to *cell* for so long from now; idle again once the network releases the connection.

        What is still under way goes on to its own end.
        """
        self._cancel()
        timeline = self._module.timeline
        self._until_ns = max(self._until_ns, timeline.now_ns + for_ns)
        technology = cell.settings.technology
        self._module.consumption.transmit(technology)
        if not self._air.antennas.main:
            self._module.recorder.record("surroundings/antennas", "open_transmission", technology=technology)
        self._silent = timeline.call_at(self._until_ns, self._fall_silent)
        if self._air.is_reached(cell):
            idle_ns = self._until_ns + ns(cell.settings.inactivity_s)
            self._released = timeline.call_at(idle_ns, self._release)
            self._become(connected=True)

    def close(self) -> None:
        """Nothing is transmitted any longer, and there is no connection."""
        if self._silent is not None:
            self._module.consumption.transmit(None)
        self._cancel()
        self._until_ns = 0
        self._become(connected=False)

    def _fall_silent(self) -> None:
        self._silent = None
        self._module.consumption.transmit(None)

    def _release(self) -> None:
        self._released = None
        self._become(connected=False)

    def _become(self, *, connected: bool) -> None:
        if connected != self.is_connected:
            self.is_connected = connected
            self.changed.announce(connected)

    def _cancel(self) -> None:
        for pending in (self._silent, self._released):
            if pending is not None:
                pending.cancel()
        self._silent = self._released = None
