"""A simulated bench: the model, its edges and its pace behind the bench interface."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any, Literal

from hil.bench.interface import Bench, Health
from hil.errors import BenchUndecidedError, BenchUnfitError
from hil.lateness import HOPELESS_S
from hil.recording.head import head
from hil.recording.query import Recording
from simulator.edges.listening import Listening
from simulator.edges.pacing import Driver
from simulator.edges.port_edges import MemoryEdges, MixedEdges, PtyEdges
from simulator.edges.rfc2217_edge import Rfc2217Edges
from simulator.model import Model

from .clock import SimulatedClock
from .header import SimulatedHeader
from .ports import SimulatedPorts
from .surroundings import SimulatedHost, SimulatedSupply, SimulatedSurroundings, SimulatedUsb

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping

    from hil.bench.files import BenchDescription
    from simulator.kernel.recorder import Value

    from .ports import Edges


class SimulatedHealth(Health):
    """A simulated bench is fit unless the machine starves it or it is closed."""

    def __init__(self, bench: SimulatedBench) -> None:
        self._bench = bench

    def check(self) -> None:
        """Return where the bench is fit."""
        if self._bench.is_closed:
            raise BenchUnfitError(part="simulated bench", reason="it is closed", cure="open it again")
        late_s = self._bench.clock.late_s()
        if late_s > HOPELESS_S:
            raise BenchUndecidedError(reason=f"the simulation ran {late_s:.1f} s late on this machine")


class SimulatedBench(Bench):
    """One simulated bench.

    *factor* None is virtual pace, 1 real pace; *ports* says whether they are ptys, in memory, or listen for
    clients over RFC 2217: all of them, or those *over_tcp* while the others are ptys.
    *pinned* goes into the recording's head.
    """

    def __init__(
        self,
        description: BenchDescription,
        *,
        factor: float | None = None,
        ports: Literal["pty", "memory"] | Listening = "pty",
        over_tcp: Collection[str] = (),
        pinned: Mapping[str, Any] | None = None,
    ) -> None:
        self.description = description
        self.name = description.file.bench.name
        self.profile = description.profile
        card = description.settings.card
        self.card_pin = card.pin if card else None
        self.own_number = card.number if card else None
        self.model = Model(description.settings)
        self.driver = Driver(self.model, factor=factor)
        self.edges = _edges(self.model, self.driver, ports, over_tcp)
        self.start_state = description.file.start.module
        self.is_closed = False
        self._recording = Recording(head(description, pace=pace_name(factor), pinned=pinned))
        self.clock = SimulatedClock(self.driver)
        header = SimulatedHeader(self.driver, description)
        self.header = self._simulated_header = header
        ports_seen = SimulatedPorts(self.driver, self.edges, baud=self.profile.uart.baud)
        self.ports, self._close_ports = ports_seen, ports_seen.close_all
        self.supply = SimulatedSupply(self.driver)
        self.usb = SimulatedUsb(self.driver)
        self.host = SimulatedHost(self.driver)
        self.surroundings = SimulatedSurroundings(self.driver)
        self.health = SimulatedHealth(self)
        self.model.start()
        self.driver.start_clock()

    @property
    def is_untouched(self) -> bool:
        """Whether no time has passed."""
        return self.clock.now_ns() == 0

    @property
    def parts(self) -> Collection[str]:
        """The names a suite can need."""
        return {
            *(f"header:{role}" for role in self._simulated_header.roles),
            *(f"port:{role}" for role in self._port_roles),
            "supply",
            "meter",
            "host",
            "usb",
            *(f"surroundings:{part}" for part in self.model.movers),
            *(("flow-control",) if self._has_flow_control else ()),
            *(("card",) if self.model.card.is_present else ()),
            *(("own-number",) if self._may_write_to_itself else ()),
        }

    @property
    def _may_write_to_itself(self) -> bool:
        """Whether the module's own number is known, and one that the bench may write to."""
        return self.own_number in self.description.file.limits.numbers

    @property
    def _port_roles(self) -> list[str]:
        """Of what the profile promises, not of what the unit shows."""
        uart = ["uart"] if self.model.module.uart is not None else []
        return [*self.profile.usb.ports, *uart]

    @property
    def _has_flow_control(self) -> bool:
        board = self.model.board
        return (
            self.profile.uart.flow_control
            and self.model.module.uart is not None
            and board.reader.carries("UART_CTS", board.all_powered())
            and board.reader.carries("UART_RTS", board.all_powered())
        )

    @property
    def recording(self) -> Recording:
        """What has happened so far."""
        self._recording.extend(self.model.recorder.take())
        return self._recording

    def note(self, lane: str, what: str, **more: Value) -> None:
        """Add an event of the suite's own to the recording."""
        self.driver.catch_up()
        self.model.recorder.record(lane, what, **more)

    def close(self) -> None:
        """Let go of every pty; harmless when called again."""
        if not self.is_closed:
            self.is_closed = True
            self._close_ports()
            self.model.end()
            self.edges.close()
            self.driver.descriptors.close()


def _edges(
    model: Model, driver: Driver, ports: Literal["pty", "memory"] | Listening, over_tcp: Collection[str]
) -> Edges:
    if isinstance(ports, Listening):
        if over_tcp:
            return MixedEdges(model, driver.descriptors, ports, over_tcp=over_tcp)
        return Rfc2217Edges(model, driver.descriptors, ports)
    return PtyEdges(model, driver.descriptors) if ports == "pty" else MemoryEdges(model)


def pace_name(factor: float | None) -> str:
    """A pace as a recording's head states it."""
    if factor is None:
        return "virtual"
    return "real" if factor == 1 else f"x{factor:g}"
