"""A port without a pty: bytes from the module are kept until its client takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.module.port import Port


class MemoryEdge:
    """Carries one port in memory; the client is in the same process.

    *on_freed* is told the node's name once the port has vanished and its last handle is closed.
    """

    def __init__(self, on_freed: Callable[[str], None] | None = None) -> None:
        self.waiting = bytearray()
        self._on_freed = on_freed
        self._handles = 0
        self._dead: dict[int, tuple[str, int]] = {}  # lives of the port that are over: node and handles

    def appear(self, port: Port) -> None:
        """Start empty."""
        del port
        self.waiting.clear()

    def vanish(self, port: Port) -> None:
        """What nobody has read is lost with the port; its number stays taken while handles are held."""
        self.waiting.clear()
        handles, self._handles = self._handles, 0
        if handles:
            self._dead[port.lives] = (port.node, handles)
        elif self._on_freed is not None:
            self._on_freed(port.node)

    def hold(self) -> None:
        """A client has opened the port."""
        self._handles += 1

    def let_go(self, port: Port, life: int) -> None:
        """A client has closed its handle on the port's *life*."""
        if life not in self._dead:
            self._handles -= 1
            port.client_closed()
            return
        node, handles = self._dead.pop(life)
        if handles > 1:
            self._dead[life] = (node, handles - 1)
        elif self._on_freed is not None:
            self._on_freed(node)

    def deliver(self, port: Port, data: bytes) -> None:
        """Keep *data* for the client."""
        del port
        self.waiting += data

    def take(self, size: int) -> bytes:
        """Up to *size* bytes that wait for the client."""
        taken = bytes(self.waiting[:size])
        del self.waiting[:size]
        return taken

    def look_at_settings(self) -> None:
        """The client says itself when it sets the line."""
