"""One serial port of the module as the host could see it.

Bytes from the host go to whoever listens on the module's side; bytes from the module go to the edge.
Knows no pty and no socket: the edge that carries the port attaches itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Protocol

from simulator.kernel.announcement import Announcement

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.recorder import Recorder

# What a module keeps for a client that has yet to come, where its profile keeps anything.
_KEPT_BYTES = 4096


class PortEdge(Protocol):
    """What carries a port to the outside."""

    def appear(self, port: Port) -> None:
        """The port is there from now on, under `port.node`."""

    def vanish(self, port: Port) -> None:
        """The port is gone: whoever holds it gets the hang-up."""

    def deliver(self, port: Port, data: bytes) -> None:
        """Bytes from the module for whoever holds the port."""


class Port:
    """A port with its life: it appears, is opened and closed by clients, and vanishes.

    *role* is at, data, nmea, diag or uart.  The model never writes while no client holds the port:
    such bytes are lost, or kept (up to 4 KiB) where *keeps_before_open*.  `lives` counts appearances.
    `reaches_module` and `reaches_host` say whether the wires carry bytes just now (None: they do).
    """

    def __init__(self, role: str, *, recorder: Recorder, keeps_before_open: bool = False) -> None:
        self.role = role
        self.lane = f"port/{role}"
        self.node = ""
        self.is_present = False
        self.clients = 0
        self.lives = 0
        self.speaks_at = False
        self.edge: PortEdge | None = None
        self.on_receive: Callable[[bytes], None] | None = None
        self.reaches_module: Callable[[], bool] | None = None
        self.reaches_host: Callable[[], bool] | None = None
        self.appeared: Announcement[None] = Announcement()
        self.vanished: Announcement[None] = Announcement()
        self.opened: Announcement[None] = Announcement()
        self.closed: Announcement[None] = Announcement()
        self._recorder = recorder
        self._keeps_before_open = keeps_before_open
        self._kept = b""

    @property
    def is_open(self) -> bool:
        """Whether a client holds the port."""
        return self.clients > 0

    def appear(self, node: str) -> None:
        """The host enumerates the port as *node* (the name the host sees)."""
        self.node, self.is_present, self.clients, self._kept = node, True, 0, b""
        self.lives += 1
        self._recorder.record(self.lane, "appear", node=node)
        if self.edge is not None:
            self.edge.appear(self)
        self.appeared.announce(None)

    def vanish(self) -> None:
        """The port goes, with whatever was kept; harmless when it is not there."""
        if not self.is_present:
            return
        self.is_present, self.speaks_at, self.clients = False, False, 0
        self._recorder.record(self.lane, "vanish", node=self.node)
        if self.edge is not None:
            self.edge.vanish(self)
        self.vanished.announce(None)

    def client_opened(self) -> None:
        """The edge saw a client open the port."""
        self.clients += 1
        self._recorder.record(self.lane, "open", node=self.node)
        kept, self._kept = self._kept, b""
        if kept:
            self.send(kept)
        self.opened.announce(None)

    def client_closed(self) -> None:
        """The edge saw a client close the port."""
        self.clients = max(0, self.clients - 1)
        self._recorder.record(self.lane, "close", node=self.node)
        self.closed.announce(None)

    def settings(self, *, baud: int, framing: str) -> None:
        """The edge saw other line settings."""
        self._recorder.record(self.lane, "settings", node=self.node, baud=baud, framing=framing)

    def receive(self, data: bytes) -> None:
        """Bytes from the host (called by the edge)."""
        if self.reaches_module is not None and not self.reaches_module():
            self.lose(data)
            return
        self._recorder.record_bytes(self.lane, "to_module", data)
        if self.on_receive is not None:
            self.on_receive(data)

    def send(self, data: bytes) -> None:
        """Bytes for the host (called by the model)."""
        if self.reaches_host is not None and not self.reaches_host():
            self.lose(data)
        elif self.clients:
            self._recorder.record_bytes(self.lane, "from_module", data)
            if self.edge is not None:
                self.edge.deliver(self, data)
        elif self._keeps_before_open and self.is_present:
            self._kept = (self._kept + data)[-_KEPT_BYTES:]
        else:
            self.lose(data)

    def lose(self, data: bytes) -> None:
        """Bytes that do not get to the other side."""
        self._recorder.record_bytes(self.lane, "lost", data)
