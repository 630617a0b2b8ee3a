"""The ports of one model: on ptys, in memory, or some over TCP and the others on ptys."""

from __future__ import annotations

import select
from typing import TYPE_CHECKING

from .memory import MemoryEdge
from .pty_port import Openings, PtyEdge
from .rfc2217_edge import Rfc2217Edges

if TYPE_CHECKING:
    from collections.abc import Collection

    from simulator.model import Model

    from .descriptors import Descriptors
    from .listening import Listening
    from .rfc2217_edge import Rfc2217Edge


class MemoryEdges:
    """Every port in memory."""

    def __init__(self, model: Model) -> None:
        self._ports = model.ports
        self.by_role = {
            role: MemoryEdge(None if role == "uart" else model.module.nodes.release) for role in self._ports
        }
        for role, edge in self.by_role.items():
            self._ports[role].edge = edge

    def close(self) -> None:
        """Let go of the ports."""
        for port in self._ports.values():
            port.edge = None


class PtyEdges:
    """Every port on a pty, but for those *without*."""

    def __init__(self, model: Model, descriptors: Descriptors, *, without: Collection[str] = ()) -> None:
        self.openings = Openings()
        # First, so that an opening is seen before the bytes that came through it.
        descriptors.add_reader(self.openings.fileno(), self.openings.process)
        module = model.module

        def free(node: str) -> None:
            if node.startswith("ttyUSB"):
                module.nodes.release(node)

        self.by_role = {
            role: PtyEdge(port, descriptors=descriptors, openings=self.openings, on_freed=free)
            for role, port in model.ports.items()
            if role not in without
        }
        self._descriptors = descriptors

    def arrive(self) -> None:
        """Let what was sent to clients be there for them: the kernel finishes where it is asked."""
        slaves = [edge.slave for edge in self.by_role.values() if edge.slave is not None]
        if slaves:
            select.select(slaves, (), (), 0)

    def close(self) -> None:
        """Let go of every pty."""
        for edge in self.by_role.values():
            edge.close()
        self._descriptors.remove_reader(self.openings.fileno())
        self.openings.close()


class MixedEdges:
    """The ports *over_tcp* by RFC 2217, every other on a pty.  Raises as Rfc2217Edges does."""

    def __init__(
        self, model: Model, descriptors: Descriptors, listening: Listening, *, over_tcp: Collection[str]
    ) -> None:
        self.tcp = Rfc2217Edges(model, descriptors, listening, roles=over_tcp)
        self.ptys = PtyEdges(model, descriptors, without=over_tcp)
        self.by_role: dict[str, PtyEdge | Rfc2217Edge] = {**self.tcp.by_role, **self.ptys.by_role}

    def close(self) -> None:
        """Let go of all."""
        self.tcp.close()
        self.ptys.close()
