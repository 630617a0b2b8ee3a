"""One serial port of the module as the host could see it.

Bytes from the host go to whoever listens on the module's side; bytes from the module go to the edge.
Knows no pty and no socket: the edge that carries the port attaches itself.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, NamedTuple, Protocol

from simulator.kernel.announcement import Announcement

from .port_counts import PortCounts

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.recorder import Recorder

    from .framing import LineSettings

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

    def look_at_settings(self) -> None:
        """Tell the port if its line is set otherwise than it was."""


class Link(Protocol):
    """What lies between the host's end of a port and the module's: a bus, or wires."""

    def from_host(self, data: bytes) -> None:
        """Bytes that the host has sent; what gets through goes to `Port.arrive`, or byte by byte."""

    def from_module(self, data: bytes) -> None:
        """Bytes that the module has sent."""

    def set_host(self, settings: LineSettings, *, rtscts: bool = False) -> None:
        """The host's end of the line is set."""

    def lines_changed(self) -> None:
        """A control line has moved."""

    def set_break(self, on: bool) -> None:
        """The host holds its transmit line low, or lets it go."""


class ControlLines(NamedTuple):
    """The lines that the module drives, in the terms of ITU-T V.24: circuits 106, 107, 109 and 125."""

    cts: bool
    dsr: bool
    dcd: bool
    ri: bool


class Port:
    """A port with its life: it appears, is opened and closed by clients, and vanishes.

    *role* is at, data, nmea, diag or uart.  The model never writes while no client holds the port:
    such bytes are lost, or kept (up to 4 KiB) where *keeps_before_open*.  `lives` counts appearances.
    `dtr` and `rts` are driven by the host: up at the first opening, down at the last closing, as Linux
    drivers do.  `is_congested` while the module takes no more, `is_clogged` while so much of what it has said
    has not gone that it does nothing else; `takes_at_once` is how much more it may say at once until then
    (None: anything).  `has_carrier` and `rings` are set by whoever knows.  `counts` are those of its present
    life.
    """

    def __init__(self, role: str, *, recorder: Recorder, keeps_before_open: bool = False) -> None:
        self.role = role
        self.lane = f"port/{role}"
        self.node = ""
        self.is_present = False
        self.clients = 0
        self.lives = 0
        self.speaks_at = False
        self.dtr = self.rts = False
        self.is_congested = self.is_clogged = False
        self.takes_at_once: int | None = None
        self.edge: PortEdge | None = None
        self.link: Link | None = None
        self.counts = PortCounts()
        # Bytes from the host (by way of `receive`) and from the model; a link takes them first.
        self._to_module: Callable[[bytes], None] = self.arrive
        self.send: Callable[[bytes], None] = self.deliver
        self.on_receive: Callable[[bytes], None] | None = None
        self.on_unclogged: Callable[[], None] | None = None
        self.has_carrier: Callable[[], bool] | None = None
        self.rings: Callable[[], bool] | None = None
        self.appeared: Announcement[None] = Announcement()
        self.vanished: Announcement[None] = Announcement()
        self.opened: Announcement[None] = Announcement()
        self.closed: Announcement[None] = Announcement()
        self.lines_set: Announcement[None] = Announcement()
        self._recorder = recorder
        self._keeps_before_open = keeps_before_open
        self._kept = b""
        self._counted = self.control_lines

    @property
    def is_open(self) -> bool:
        """Whether a client holds the port."""
        return self.clients > 0

    def appear(self, node: str) -> None:
        """The host enumerates the port as *node* (the name the host sees)."""
        self.node, self.is_present, self.clients, self._kept = node, True, 0, b""
        self.lives += 1
        self.counts = PortCounts()
        self._recorder.record(self.lane, "appear", node=node)
        if self.edge is not None:
            self.edge.appear(self)
        self.appeared.announce(None)

    def vanish(self) -> None:
        """The port goes, with whatever was kept; harmless when it is not there."""
        if not self.is_present:
            return
        self.is_present, self.speaks_at, self.clients = False, False, 0
        self.dtr = self.rts = False
        self._recorder.record(self.lane, "vanish", node=self.node)
        if self.edge is not None:
            self.edge.vanish(self)
        self.vanished.announce(None)

    def client_opened(self) -> None:
        """The edge saw a client open the port."""
        self.clients += 1
        if self.clients == 1:
            self._set_lines(dtr=True, rts=True)
            self._counted = self.control_lines
        self._recorder.record(self.lane, "open", node=self.node)
        kept, self._kept = self._kept, b""
        if kept:
            self.deliver(kept)
        self.opened.announce(None)

    def client_closed(self) -> None:
        """The edge saw a client close the port."""
        self.clients = max(0, self.clients - 1)
        self._recorder.record(self.lane, "close", node=self.node)
        if not self.clients:
            self._set_lines(dtr=False, rts=False)
        self.closed.announce(None)

    def settings(self, settings: LineSettings, *, rtscts: bool = False) -> None:
        """The edge saw other line settings."""
        more = {"rtscts": True} if rtscts else {}
        self._recorder.record(
            self.lane, "settings", node=self.node, baud=settings.baud, framing=settings.framing, **more
        )
        if self.link is not None:
            self.link.set_host(settings, rtscts=rtscts)

    def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> None:
        """The client drives DTR (circuit 108/2), RTS (circuit 105 or 133), or both."""
        dtr, rts = self.dtr if dtr is None else dtr, self.rts if rts is None else rts
        if (dtr, rts) != (self.dtr, self.rts):
            self._recorder.record(self.lane, "lines", dtr=dtr, rts=rts)
            self._set_lines(dtr=dtr, rts=rts)

    def set_break(self, on: bool) -> None:
        """The client begins or ends a break."""
        self._recorder.record(self.lane, "break", on=on)
        if self.link is not None:
            self.link.set_break(on)

    def _set_lines(self, *, dtr: bool, rts: bool) -> None:
        self.dtr, self.rts = dtr, rts
        if self.link is not None:
            self.link.lines_changed()
        self.lines_set.announce(None)

    def clog(self, *, on: bool) -> None:
        """What the module says piles up, or is gone."""
        if on is not self.is_clogged:
            self.is_clogged = on
            if not on and self.on_unclogged is not None:
                self.on_unclogged()

    def congest(self, *, on: bool) -> None:
        """The module takes no more bytes for now, or again."""
        if on is not self.is_congested:
            self.is_congested = on
            if self.link is not None:
                self.link.lines_changed()

    @property
    def control_lines(self) -> ControlLines:
        """What the module drives now; all down while it does not speak."""
        if not self.speaks_at:
            return ControlLines(cts=False, dsr=False, dcd=False, ri=False)
        return ControlLines(
            cts=not self.is_congested,
            dsr=True,
            dcd=self.has_carrier is not None and self.has_carrier(),
            ri=self.rings is not None and self.rings(),
        )

    def count_lines(self) -> None:
        """Whoever moves the model calls, while the port is open: lines that have changed are counted."""
        before, now = self._counted, self.control_lines
        if before == now:
            return
        self._counted = now
        self.counts.cts += before.cts != now.cts
        self.counts.dsr += before.dsr != now.dsr
        self.counts.dcd += before.dcd != now.dcd
        self.counts.rng += before.ri and not now.ri  # its trailing edge alone (serial(4))

    def receive(self, data: bytes) -> None:
        """Bytes from the host's client (called by the edge)."""
        self.counts.tx += len(data)
        self._to_module(data)

    def carry_by(self, link: Link) -> None:
        """From now on *link* lies between the two ends."""
        self.link, self._to_module, self.send = link, link.from_host, link.from_module

    def arrive(self, data: bytes) -> None:
        """Bytes from the host are at the module."""
        self._recorder.record_bytes(self.lane, "to_module", data)
        if self.on_receive is not None:
            self.on_receive(data)

    def hand_to_module(self, data: bytes) -> None:
        """As `arrive`, where the link has recorded them."""
        if self.on_receive is not None:
            self.on_receive(data)

    def deliver(self, data: bytes) -> None:
        """Bytes from the module are at the host."""
        if self.clients:
            self._recorder.record_bytes(self.lane, "from_module", data)
            self.counts.rx += len(data)
            if self.edge is not None:
                self.edge.deliver(self, data)
        elif self._keeps_before_open and self.is_present:
            self._kept = (self._kept + data)[-_KEPT_BYTES:]
        else:
            self.lose(data)

    def hand_to_host(self, data: bytes) -> bool:
        """Bytes from the module are at the host; False where nobody holds the port, and they are gone."""
        if not self.clients:
            return False
        self.counts.rx += len(data)
        if self.edge is not None:
            self.edge.deliver(self, data)
        return True

    def lose(self, data: bytes) -> None:
        """Bytes that do not get to the other side."""
        self._recorder.record_bytes(self.lane, "lost", data)
