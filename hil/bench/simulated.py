"""A simulated bench: the model, its edges and its pace behind the bench interface."""

from __future__ import annotations

from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

from pydantic import ValidationError

from hil.errors import BenchUndecidedError, BenchUnfitError, PartMissingError, PortMissingError, UsageError
from hil.lateness import HOPELESS_S
from hil.recording.head import head
from hil.recording.query import Recording
from simulator.edges.listening import Listening
from simulator.edges.memory import MemoryEdge
from simulator.edges.pacing import Driver
from simulator.edges.port_edges import MemoryEdges, MixedEdges, PtyEdges
from simulator.edges.pty_port import PtyEdge
from simulator.edges.rfc2217_edge import Rfc2217Edges
from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.module.framing import LineSettings

from .interface import (
    Bench,
    Clock,
    Header,
    HeaderPin,
    Health,
    Host,
    Movable,
    Ports,
    Supply,
    Surroundings,
    Usb,
)
from .nominal import ROLES, NominalBoard
from .simulated_port import MemoryPort, PtyPort, SimulatedPort

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping

    from simulator.board.picture import Route
    from simulator.kernel.recorder import Value
    from simulator.module.port import Port as ModulePort

    from .files import BenchDescription
    from .interface import Port

Edges: TypeAlias = "PtyEdges | MemoryEdges | Rfc2217Edges | MixedEdges"


class SimulatedClock(Clock):
    """The model's clock."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    def now_ns(self) -> int:
        """Nanoseconds since the run began."""
        self._driver.catch_up()
        return self._driver.model.timeline.now_ns

    def now_s(self) -> float:
        """Seconds since the run began."""
        return self.now_ns() / 1e9

    def wait(self, seconds: float) -> None:
        """Return *seconds* later."""
        self._driver.wait(self.now_ns() + ns(seconds))

    def late_s(self, *, within_s: float | None = None) -> float:
        """How late the latest action was, of the run or its last *within_s* seconds; 0 at virtual pace."""
        if within_s is None:
            return self._driver.latest_ns / 1e9
        return self._driver.late_since(self.now_ns() - ns(within_s)) / 1e9


class SimulatedPin(HeaderPin):
    """One header pin of the model's board."""

    def __init__(self, driver: Driver, number: str, *, active_high: bool) -> None:
        self.number, self.active_high = number, active_high
        self._driver, self._board = driver, driver.model.board
        self._line = self._board.lines.on_pin(number)

    def drive(self, level: bool) -> None:
        """Drive the pin high or low."""
        self._driver.settle()
        if self._line is not None:
            self._line.drive(level, by="suite")
        else:
            self._board.drive(self.number, level, by="suite")

    def release(self) -> None:
        """Let go of the pin."""
        self._driver.settle()
        if self._line is not None:
            self._line.make_input(by="suite")
        else:
            self._board.drive(self.number, None, by="suite")

    def read(self) -> bool:
        """The level at the pin; what floats reads low."""
        self._driver.settle()
        return bool(self._board.level_at(self.number))


class SimulatedHeader(Header):
    """The model's header; roles are found through the wiring."""

    def __init__(self, driver: Driver, description: BenchDescription) -> None:
        self._driver, self._board = driver, driver.model.board
        self._description = description

    @cached_property
    def _routes(self) -> Mapping[str, Route | None]:
        """Found once somebody asks: a script never does."""
        return NominalBoard(self._description).routes

    @property
    def roles(self) -> list[str]:
        """The roles that a header pin reaches."""
        return [role for role, route in self._routes.items() if route is not None]

    def __getitem__(self, pin_or_role: str) -> SimulatedPin:
        """The pin by number or role."""
        if pin_or_role in self._routes:
            route = self._routes[pin_or_role]
            if route is None:
                raise PartMissingError(
                    part=f"header:{pin_or_role}", why="no header pin reaches it through this wiring"
                )
            return SimulatedPin(self._driver, route.pin, active_high=route.active_high)
        if pin_or_role in self._board.wiring.header:
            return SimulatedPin(self._driver, pin_or_role, active_high=True)
        known = ", ".join((*ROLES, *sorted(self._board.wiring.header, key=int)))
        raise PartMissingError(part=f"header:{pin_or_role}", why=f"pins and roles are {known}")


class SimulatedPorts(Ports):
    """The model's ports."""

    def __init__(self, driver: Driver, edges: Edges, *, baud: int) -> None:
        self._driver, self._edges, self._baud = driver, edges, baud
        self._ports = driver.model.module.ports
        self._opened: list[SimulatedPort] = []

    def present(self) -> list[str]:
        """The roles of the ports that are there."""
        self._driver.settle()
        return [role for role, port in self._ports.items() if port.is_present]

    def node(self, role: str) -> str:
        """The name the host knows the port by."""
        self._driver.settle()
        if role not in self._ports or not self._ports[role].is_present:
            raise PartMissingError(
                part=f"port:{role}", why=f"present are {', '.join(self.present()) or 'none'}"
            )
        return self._ports[role].node

    def wait_for(self, role: str, *, timeout_s: float) -> None:
        """Return once the port is there."""
        port = self._known(role)
        if not self._wait(lambda: port.is_present, timeout_s):
            raise PortMissingError(role=role, waited_s=timeout_s)

    def wait_gone(self, role: str, *, timeout_s: float) -> bool:
        """True once the port is gone."""
        port = self._known(role)
        return self._wait(lambda: not port.is_present, timeout_s)

    def open(self, role: str, *, baud: int | None = None, framing: str = "8N1") -> Port:
        """Open a port that is there."""
        self._driver.settle()
        port = self._known(role)
        if not port.is_present:
            raise PortMissingError(role=role, waited_s=0.0)
        self._opened = [earlier for earlier in self._opened if not earlier.is_closed]
        opened: SimulatedPort
        line = LineSettings.of(self._baud if baud is None else baud, framing)
        match self._edges.by_role[role]:
            case PtyEdge() as edge:
                opened = PtyPort(port, self._driver, edge, line)
            case MemoryEdge() as edge:
                opened = MemoryPort(port, self._driver, edge, line)
            case edge:
                raise PartMissingError(part=f"port:{role}", why=f"it is served at {edge.url}")
        self._opened.append(opened)
        return opened

    def close_all(self) -> None:
        """Close what a suite has left open."""
        for port in self._opened:
            port.close()
        self._opened.clear()

    def _known(self, role: str) -> ModulePort:
        if role not in self._ports:
            raise PartMissingError(part=f"port:{role}", why=f"the module has {', '.join(self._ports)}")
        return self._ports[role]

    def _wait(self, done: Callable[[], bool], timeout_s: float) -> bool:
        timeline = self._driver.model.timeline
        self._driver.settle()
        return done() or self._driver.wait(timeline.now_ns + ns(timeout_s), done)


class SimulatedSupply(Supply):
    """The model's source."""

    def __init__(self, driver: Driver) -> None:
        self._driver, self._supply = driver, driver.model.supply
        self.nominal_v = driver.model.settings.supply.volts

    def on(self) -> None:
        """Turn it on."""
        self._driver.settle()
        self._supply.turn(on=True)

    def off(self) -> None:
        """Turn it off."""
        self._driver.settle()
        self._supply.turn(on=False)

    def set_volts(self, volts: float) -> None:
        """Set its voltage."""
        self._driver.settle()
        self._supply.set_volts(volts)

    def rail_volts(self) -> float:
        """The module's rail."""
        self._driver.settle()
        return self._supply.rail_v

    def lowest_rail_volts(self, *, within_s: float) -> float:
        """The lowest the rail has been: every instant counts, the model's meter has no bandwidth."""
        self._driver.settle()
        since_ns = max(self._driver.model.timeline.now_ns - ns(within_s), 0)
        return self._supply.lowest_v(since_ns=since_ns)


class SimulatedUsb(Usb):
    """The model's module on the model's bus."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver
        self._device, self._power = driver.model.module.usb, driver.model.module.usb_power

    def allow_suspend(self, allowed: bool, *, after_s: float = 2.0) -> None:
        """Let the host suspend the device, or never."""
        self._driver.settle()
        if not self._device.is_bound:
            raise PartMissingError(part="usb", why="the module is not on the bus now: is it on?")
        self._power.set_delay_ms(round(after_s * 1000))
        self._power.set_control("auto" if allowed else "on")

    def status(self) -> str:
        """What the host says of the device."""
        self._driver.settle()
        return self._power.status if self._device.is_bound else "absent"

    def cycle(self) -> None:
        """Reset the device."""
        self._driver.settle()
        self._device.reset("host")


class SimulatedHost(Host):
    """The model's host."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    def reboot(self) -> None:
        """Boot: the header's pins go to their boot state."""
        self._driver.settle()
        self._driver.model.restart_host()


class SimulatedSurroundings(Surroundings):
    """What can be moved about the model."""

    def __init__(self, driver: Driver) -> None:
        self._driver = driver

    def move(self, part: Movable, **settings: Value) -> None:
        """Change the settings of one part by name."""
        movers = self._driver.model.movers
        if part not in movers:
            raise PartMissingError(part=f"surroundings:{part}", why=f"{', '.join(movers)} can be moved")
        self._driver.settle()
        schema, move = movers[part]
        try:
            move(**settings)
        except ValidationError as error:
            first = error.errors()[0]
            known = ", ".join(schema.model_fields)
            place = ".".join(map(str, first["loc"]))
            raise UsageError(f"surroundings.{part}.{place}: {first['msg']}; known are {known}") from error
        except ValueError as error:
            raise UsageError(f"surroundings.{part}: {error}") from error


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
