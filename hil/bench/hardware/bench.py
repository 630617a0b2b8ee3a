"""A hardware bench: one test's view of a station, behind the bench interface."""

from __future__ import annotations

from datetime import datetime
from typing import TYPE_CHECKING

from hil.bench.interface import Bench
from hil.recording.head import head
from hil.recording.query import Recording

from .clock import WallClock, uncertainty_ns
from .events import Events
from .gone import Gone
from .header import HardwareHeader, Senses
from .health import HardwareHealth
from .port import HardwarePorts
from .supply import HardwareSupply
from .surroundings import HardwareHost, HardwareSurroundings, HardwareUsb

if TYPE_CHECKING:
    from collections.abc import Collection

    from simulator.kernel.recorder import Value

    from .station import Station


class HardwareBench(Bench):
    """One run on *station*, with a clock and a recording of its own; the station stays open.

    *start_state* is what the module is known to have been brought into.
    """

    def __init__(self, station: Station, *, start_state: str | None = None) -> None:
        description = self.description = station.description
        self._station = station
        self.name = description.file.bench.name
        self.profile = description.profile
        card = description.settings.card
        self.card_pin = card.pin if card else None
        self.own_number = card.number if card else None
        self.start_state = start_state
        self.is_closed = False
        self._head = {
            **head(description, pace="real"),
            "wall_start": datetime.now().astimezone().isoformat(timespec="milliseconds"),
            "uncertainty_ns": uncertainty_ns(),
        }
        clock = WallClock()
        self.clock = clock
        self._events = Events(clock.now_ns)
        clock.watch(self._events)
        self._close_clock = clock.close
        station.permits.note = self._events.record
        health = HardwareHealth(station, clock=clock)
        gone = Gone(station, clock=clock, health=health)
        self._gone = gone
        station.permits.leaves = gone.did
        header = HardwareHeader(station, events=self._events, gone=gone)
        self.header, self._roles = header, header.roles
        self._senses = Senses(station, clock=clock, events=self._events)
        supply = HardwareSupply(station, clock=clock, events=self._events, gone=gone)
        self.supply, self._close_supply = supply, supply.close
        health.supply = supply
        self.health = health
        ports = HardwarePorts(
            station, clock=clock, events=self._events, gone=gone, baud=self.profile.uart.baud
        )
        self.ports, self._close_ports = ports, ports.close
        self.usb = HardwareUsb(station, events=self._events, gone=gone)
        host = HardwareHost(station, events=self._events, gone=gone)
        self.host, self.shell = host, host.shell
        self.surroundings = HardwareSurroundings(station, events=self._events)

    @property
    def is_untouched(self) -> bool:
        """Whether nothing was done that starts or stops a module."""
        return not self._gone.has_done

    @property
    def parts(self) -> Collection[str]:
        """The names a suite can need: what has a driver."""
        station, file = self._station, self.description.file
        flow = "uart" in station.ports and station.nominal.has_flow_control
        return {
            *(f"header:{role}" for role in self._roles),
            *(f"port:{role}" for role in station.ports),
            *(("supply",) if station.supply is not None else ()),
            *(("meter",) if station.meter is not None else ()),
            *(("usb",) if station.usb is not None else ()),
            *(("host",) if station.host is not None else ()),
            *(("surroundings:network",) if station.attenuator is not None else ()),
            *(("flow-control",) if flow else ()),
            *(("card",) if file.card is not None else ()),
            *(("own-number",) if self.own_number in file.limits.numbers else ()),
        }

    @property
    def recording(self) -> Recording:
        """What has happened so far."""
        self._senses.take_in()
        return Recording(self._head, self._events.all())

    def note(self, lane: str, what: str, **more: Value) -> None:
        """Add an event of the suite's own to the recording."""
        self._events.record(lane, what, **more)

    def close(self) -> None:
        """Let go of the ports, and look no longer; harmless when called again."""
        if not self.is_closed:
            self.is_closed = True
            self._close_ports()
            self._close_supply()
            self._close_clock()
