"""The module's ports over TCP, as RFC 2217 has it: bytes, line settings, control lines and breaks.

One client at a time and port.  A port listens only while the module presents it: a client is hung up on
when it vanishes, and refused while it is not there.  pyserial's port manager speaks the protocol.
"""

from __future__ import annotations

import contextlib
import socket
import struct
from typing import TYPE_CHECKING, Final

from serial.rfc2217 import PortManager

from .listening import Listening
from .rfc2217_line import Rfc2217Line

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

    from simulator.kernel.timeline import Timeline, Wakeup
    from simulator.model import Model
    from simulator.module.port import Port

    from .descriptors import Descriptors

# What a client that never reads may leave unread beyond the kernel's own buffer, before bytes are lost: more
# than the longest reply, two full stores of messages.
OUTPUT_LIMIT: Final = 262144
_CHUNK: Final = 4096
# A subnegotiation is a few bytes; one that is longer than this is none.
_LONGEST_OPTION: Final = 64
# How often the control lines are looked at for a client that wants to be told.
_LOOK_NS: Final = 50_000_000


class _Client:
    """One connection, with what waits for it."""

    def __init__(self, connection: socket.socket, port: Port) -> None:
        connection.setblocking(False)  # noqa: FBT003 # its only way
        connection.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self.socket = connection
        self.pending = bytearray()
        self.manager = PortManager(Rfc2217Line(port), self)  # type: ignore[arg-type] # it needs only these

    def write(self, data: bytes) -> None:
        """What the port manager has to say (called by it)."""
        self.pending += data


class Rfc2217Edge:
    """Carries one port over TCP.  `number` is the TCP port, which stays the same over every life."""

    def __init__(
        self,
        port: Port,
        *,
        listening: Listening,
        descriptors: Descriptors,
        timeline: Timeline,
        on_freed: Callable[[str], None],
    ) -> None:
        self.port = port
        self._address = listening.address
        self._descriptors, self._timeline, self._on_freed = descriptors, timeline, on_freed
        self._listener: socket.socket | None = None
        self._client: _Client | None = None
        self._look: Wakeup | None = None
        with self._bound(listening.number) as probe:  # an address that cannot be had is told at once
            self.number: int = probe.getsockname()[1]
        port.edge = self

    @property
    def url(self) -> str:
        """What pyserial's `serial_for_url` opens."""
        host = f"[{self._address}]" if ":" in self._address else self._address
        return f"rfc2217://{host}:{self.number}"

    def appear(self, port: Port) -> None:
        """Listen."""
        del port
        listener = self._listener = self._bound(self.number)
        listener.listen(1)
        listener.setblocking(False)  # noqa: FBT003 # its only way
        self._descriptors.add_reader(listener.fileno(), self._accept)

    def vanish(self, port: Port) -> None:
        """Listen no longer, then hang up: whoever tries again at once is refused."""
        if self._listener is not None:
            self._descriptors.remove_reader(self._listener.fileno())
            self._listener.close()
            self._listener = None
        if self._client is not None:
            self._drop(tell=False)
        self._on_freed(port.node)

    def deliver(self, port: Port, data: bytes) -> None:
        """Bytes for the client; past the limit they are lost."""
        client = self._client
        if client is None:
            port.lose(data)
            return
        room = max(OUTPUT_LIMIT - len(client.pending), 0)
        if len(data) > room:
            port.lose(data[room:])
        client.pending += b"".join(client.manager.escape(data[:room]))
        self._flush()

    def look_at_settings(self) -> None:
        """The client says itself when it sets the line."""

    def close(self) -> None:
        """Let go of every socket."""
        if self.port.is_present:
            self.vanish(self.port)
        self.port.edge = None

    def _bound(self, number: int) -> socket.socket:
        family = socket.AF_INET6 if ":" in self._address else socket.AF_INET
        found = socket.socket(family, socket.SOCK_STREAM)
        try:
            found.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
            found.bind((self._address, number))
        except (OSError, OverflowError):  # the latter for a number that is none
            found.close()
            raise
        return found

    def _accept(self) -> None:
        if self._listener is None:
            return
        with contextlib.suppress(OSError):  # whoever knocked has gone again
            connection, _ = self._listener.accept()
            if self._client is not None:
                connection.close()  # a serial port has one client
                return
            self._client = _Client(connection, self.port)
            self._descriptors.add_reader(connection.fileno(), self._read)
            self.port.client_opened()
            self._flush()
            self._look = self._timeline.call_in(_LOOK_NS, self._look_at_lines)

    def _read(self) -> None:
        client = self._client
        if client is None:
            return
        try:
            data = client.socket.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        if not data:
            self._drop(tell=True)
            return
        try:
            plain = b"".join(client.manager.filter(data))
        except (struct.error, LookupError, TypeError, ValueError):  # no such option, or a short one
            self._drop(tell=True)
            return
        option = client.manager.suboption
        if (option is not None and len(option) > _LONGEST_OPTION) or len(client.pending) > 2 * OUTPUT_LIMIT:
            self._drop(tell=True)  # no such option, or a client that asks and never reads
            return
        if plain:
            self.port.receive(plain)
        self._flush()

    def _flush(self) -> None:
        client = self._client
        if client is None:
            return
        try:
            sent = client.socket.send(client.pending) if client.pending else 0
        except BlockingIOError:
            sent = 0
        except OSError:
            self._drop(tell=True)
            return
        del client.pending[:sent]
        if client.pending:
            self._descriptors.add_writer(client.socket.fileno(), self._flush)
        else:
            self._descriptors.remove_writer(client.socket.fileno())

    def _look_at_lines(self) -> None:
        if self._client is None:
            return
        self._client.manager.check_modem_lines()
        self._flush()
        self._look = self._timeline.call_in(_LOOK_NS, self._look_at_lines)

    def _drop(self, *, tell: bool) -> None:
        """Close the connection; *tell* the port that its client has gone."""
        client, self._client = self._client, None
        if self._look is not None:
            self._look.cancel()
            self._look = None
        if client is None:
            return
        self._descriptors.remove_reader(client.socket.fileno())
        self._descriptors.remove_writer(client.socket.fileno())
        client.socket.close()
        if tell:
            self.port.client_closed()


class Rfc2217Edges:
    """Every port over TCP, or those of *roles*, at numbers that follow one another, or at whatever is free.

    Raises OSError where the address cannot be had, OverflowError past the last number.
    """

    def __init__(
        self,
        model: Model,
        descriptors: Descriptors,
        listening: Listening,
        *,
        roles: Collection[str] | None = None,
    ) -> None:
        self.by_role: dict[str, Rfc2217Edge] = {}

        def free(node: str) -> None:
            if node.startswith("ttyUSB"):
                model.module.nodes.release(node)

        try:
            served = {role: port for role, port in model.ports.items() if roles is None or role in roles}
            for place, (role, port) in enumerate(served.items()):
                number = listening.number + place if listening.number else 0
                self.by_role[role] = Rfc2217Edge(
                    port,
                    listening=Listening(listening.address, number),
                    descriptors=descriptors,
                    timeline=model.timeline,
                    on_freed=free,
                )
        except (OSError, OverflowError):
            self.close()
            raise

    def close(self) -> None:
        """Let go of every socket."""
        for edge in self.by_role.values():
            edge.close()
