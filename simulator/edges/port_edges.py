"""All ports of one model on ptys, or all in memory."""

from __future__ import annotations

import select
from typing import TYPE_CHECKING

from .memory import MemoryEdge
from .pty_port import Openings, PtyEdge

if TYPE_CHECKING:
    from simulator.model import Model

    from .descriptors import Descriptors


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
    """Every port on a pty."""

    def __init__(self, model: Model, descriptors: Descriptors) -> None:
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
