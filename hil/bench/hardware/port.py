"""Ports of a hardware bench: every byte goes through its guard, and is recorded when it comes.

A thread for each open port reads and stamps; another looks which ports there are.
"""

from __future__ import annotations

import threading
from typing import TYPE_CHECKING, Final

from hil.bench.drivers.contracts import LinkLostError
from hil.bench.interface import ControlLines, Port, Ports
from hil.deadline import Deadline
from hil.errors import BenchUnfitError, GuardRefusedError, PartMissingError, PortMissingError
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import Link, PortDriver

    from .clock import WallClock
    from .events import Events
    from .gone import Gone
    from .station import Station

# How long a reader waits at once: what closing a port may take.
_LISTENS_S: Final = 0.05
_LOOKS_S: Final = 0.01


class HardwarePort(Port):
    """One open port."""

    def __init__(
        self, *, role: str, node: str, link: Link, station: Station, events: Events, gone: Gone
    ) -> None:
        self.role, self.node = role, node
        self._link, self._events, self._gone = link, events, gone
        self._guard, self._guards_lock = station.guards[role], station.guards_lock
        self._lane = f"port/{role}"
        self._waiting = bytearray()
        self._news = threading.Condition()
        self._is_lost = self._is_closed = False
        events.record(self._lane, "open", node=node)
        self._reader = threading.Thread(target=self._listen, name=f"port {role}", daemon=True)
        self._reader.start()

    @property
    def is_open(self) -> bool:
        """Whether the port is open and still there."""
        return not (self._is_closed or self._is_lost)

    def write(self, data: bytes) -> None:
        """Send what the guard lets pass; raises GuardRefusedError for the rest."""
        self._refuse_dead()
        with self._guards_lock:
            try:
                for piece in self._guard.pass_on(data):
                    self._send(piece)
            except GuardRefusedError:
                left_over = self._guard.left_over()
                if left_over:
                    self._send(left_over)
                raise

    def read(self, size: int = 4096, *, timeout_s: float = 0.0) -> bytes:
        """Up to *size* bytes as soon as there are any; empty once *timeout_s* has passed."""
        self._refuse_dead()
        with self._news:
            self._news.wait_for(lambda: self._waiting or self._is_lost, timeout=max(timeout_s, 0.0))
            data = bytes(self._waiting[:size])
            del self._waiting[: len(data)]
        if not data:
            self._refuse_dead()
        return data

    def discard_input(self) -> None:
        """Drop what has come and has not been read."""
        self._refuse_dead()
        with self._news:
            self._waiting.clear()

    def set_line(
        self, *, baud: int | None = None, framing: str | None = None, rtscts: bool | None = None
    ) -> None:
        """Change the rate, the framing, or whether CTS is heeded."""
        self._refuse_dead()
        self._tried(lambda: self._link.set_line(baud=baud, framing=framing, rtscts=rtscts))
        self._events.record(self._lane, "settings", baud=baud, framing=framing, rtscts=rtscts)

    def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> None:
        """Drive DTR or RTS."""
        self._refuse_dead()
        self._tried(lambda: self._link.set_lines(dtr=dtr, rts=rts))
        self._events.record(self._lane, "lines", dtr=dtr, rts=rts)

    @property
    def control_lines(self) -> ControlLines:
        """What the module drives now."""
        self._refuse_dead()
        found: list[ControlLines] = []
        self._tried(lambda: found.append(self._link.control_lines))
        return found[0]

    def send_break(self, seconds: float) -> None:
        """Hold the transmit line low for so long."""
        self._refuse_dead()
        self._tried(lambda: self._link.send_break(seconds))

    def close(self) -> None:
        """Close the port; harmless when called again."""
        if self._is_closed:
            return
        self._is_closed = True
        self._reader.join()
        self._link.close()
        with self._guards_lock:
            self._guard.begin_anew()
        if not self._is_lost:
            self._events.record(self._lane, "close", node=self.node)

    def _send(self, data: bytes) -> None:
        self._events.record_bytes(self._lane, "to_module", data)
        self._tried(lambda: self._link.write(data))

    def _tried(self, action: Callable[[], None]) -> None:
        try:
            action()
        except LinkLostError:
            self._is_lost = True
            self._refuse_dead()

    def _refuse_dead(self) -> None:
        if self._is_closed:
            raise ValueError(f"port {self.role} is closed")
        if self._is_lost:
            raise self._gone.why(self.role, self.node)

    def _listen(self) -> None:
        while not self._is_closed:
            try:
                data = self._link.read(_LISTENS_S)
            except LinkLostError:
                break
            if data:
                self._events.record_bytes(self._lane, "from_module", data)
                with self._guards_lock:
                    self._guard.heard(data)
                with self._news:
                    self._waiting += data
                    self._news.notify_all()
        if not self._is_closed:
            with self._news:
                self._is_lost = True
                self._news.notify_all()
            self._events.record(self._lane, "close", node=self.node, by="module")


class HardwarePorts(Ports):
    """The module's ports as drivers see them."""

    def __init__(self, station: Station, *, clock: WallClock, events: Events, gone: Gone, baud: int) -> None:
        self._station, self._clock, self._events, self._gone = station, clock, events, gone
        self._drivers = station.ports
        self._baud = baud
        self._nodes: dict[str, str | None] = dict.fromkeys(self._drivers)
        self._lock = threading.Lock()
        self._opened: list[HardwarePort] = []
        self._ends = threading.Event()
        for role in self._drivers:
            self._look(role)
        self._watch = threading.Thread(target=self._look_on, name="ports", daemon=True)
        self._watch.start()

    def present(self) -> list[str]:
        """The roles of the ports that are there, in the module's order."""
        order = (*self._station.description.profile.usb.ports, "uart")
        roles = sorted(self._drivers, key=lambda role: order.index(role) if role in order else len(order))
        return [role for role in roles if self._look(role) is not None]

    def node(self, role: str) -> str:
        """The name the host knows the port by."""
        found = self._look(role) if role in self._drivers else None
        if found is None:
            there = ", ".join(self.present()) or "none"
            raise PartMissingError(part=f"port:{role}", why=f"present are {there}")
        return found

    def wait_for(self, role: str, *, timeout_s: float) -> None:
        """Return once the port is there."""
        self._driver(role)
        if not self._wait(role, is_there=True, timeout_s=timeout_s):
            raise PortMissingError(role=role, waited_s=timeout_s)

    def wait_gone(self, role: str, *, timeout_s: float) -> bool:
        """True once the port is gone."""
        self._driver(role)
        return self._wait(role, is_there=False, timeout_s=timeout_s)

    def open(self, role: str, *, baud: int | None = None, framing: str = "8N1") -> HardwarePort:
        """Open a port that is there, in raw mode without echo."""
        driver, node = self._driver(role), self.node(role)
        try:
            link = driver.open(baud=baud or self._baud, framing=framing)
        except LinkLostError as error:
            raise self._gone.why(role, node) from error
        found = HardwarePort(
            role=role, node=node, link=link, station=self._station, events=self._events, gone=self._gone
        )
        self._opened.append(found)
        return found

    def close(self) -> None:
        """Close whatever is open, and look no longer."""
        self._ends.set()
        self._watch.join()
        for port in self._opened:
            port.close()

    def _driver(self, role: str) -> PortDriver:
        if role not in self._drivers:
            raise PartMissingError(part=f"port:{role}", why=f"the bench has {', '.join(self._drivers)}")
        return self._drivers[role]

    def _look(self, role: str) -> str | None:
        """The port's node now; a change is recorded, and a module that comes back begins anew."""
        driver = self._drivers[role]
        with self._lock:
            node, before = driver.node(), self._nodes[role]
            if node == before:
                return node
            self._nodes[role] = node
        if before is not None:
            self._events.record(f"port/{role}", "vanish", node=before)
            self._gone.saw_gone(role)
        if node is not None:
            self._events.record(f"port/{role}", "appear", node=node)
            self._gone.saw_come()
            with self._station.guards_lock:
                self._station.guards[role].begin_anew()
        return node

    def _look_on(self) -> None:
        """Look now and then, so that comings and goings have their times although nobody asks."""
        due: dict[str, int] = dict.fromkeys(self._drivers, 0)
        while not self._ends.wait(_LOOKS_S):
            for role, driver in self._drivers.items():
                now_ns = self._clock.now_ns()
                if now_ns >= due[role]:
                    due[role] = now_ns + ns(driver.looks_every_s)
                    try:
                        self._look(role)
                    except BenchUnfitError:
                        return  # whoever asks next is told

    def _wait(self, role: str, *, is_there: bool, timeout_s: float) -> bool:
        every_s = self._drivers[role].looks_every_s / 2
        deadline = Deadline(self._clock, timeout_s)
        while (self._look(role) is not None) is not is_there:
            if deadline.has_passed:
                return False
            self._clock.wait(min(every_s, deadline.left_s))
        return True
