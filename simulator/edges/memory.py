"""A port without a pty: bytes from the module are kept until its client takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simulator.module.port import Port


class MemoryEdge:
    """Carries one port in memory; the client is in the same process."""

    def __init__(self) -> None:
        self.waiting = bytearray()

    def appear(self, port: Port) -> None:
        """Start empty."""
        del port
        self.waiting.clear()

    def vanish(self, port: Port) -> None:
        """What nobody has read is lost with the port."""
        del port
        self.waiting.clear()

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
