"""The ports of the model's module: which are there, and opening them."""

from __future__ import annotations

from typing import TYPE_CHECKING, TypeAlias

from hil.bench.interface import Ports
from hil.errors import PartMissingError, PortMissingError
from simulator.edges.memory import MemoryEdge
from simulator.edges.pty_port import PtyEdge
from simulator.kernel.timeline import ns
from simulator.module.framing import LineSettings

from .port import MemoryPort, PtyPort, SimulatedPort

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.interface import Port
    from simulator.edges.pacing import Driver
    from simulator.edges.port_edges import MemoryEdges, MixedEdges, PtyEdges
    from simulator.edges.rfc2217_edge import Rfc2217Edges
    from simulator.module.port import Port as ModulePort

Edges: TypeAlias = "PtyEdges | MemoryEdges | Rfc2217Edges | MixedEdges"


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
