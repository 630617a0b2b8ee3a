"""One port of the module on the bus: bytes pass while the bus flows, and wait while it wakes.

The bus takes so many packets in a microframe and no more: what comes beyond waits for the next one.  That is
also why two programs that echo each other get on in time.
"""

from __future__ import annotations

from collections import deque
from typing import TYPE_CHECKING

from .usb_timing import MICROFRAME_NS, PACKET_BYTES, PACKETS_PER_MICROFRAME

if TYPE_CHECKING:
    from simulator.kernel.timeline import Timeline, Wakeup

    from .framing import LineSettings
    from .port import Port
    from .usb import UsbDevice
    from .usb_power import UsbPower


class UsbLink:
    """Carries *port* over the bus."""

    def __init__(self, port: Port, *, device: UsbDevice, power: UsbPower, timeline: Timeline) -> None:
        self._port, self._device, self._power, self._timeline = port, device, power, timeline
        self._inward: deque[bytes] = deque()
        self._outward: deque[bytes] = deque()
        self._frame_ends_ns = 0
        self._packets = 0
        self._next_frame: Wakeup | None = None
        port.carry_by(self)
        port.vanished.listen(self._on_vanish)
        device.flows_again.listen(self._on_flow)

    def from_host(self, data: bytes) -> None:
        """Bytes from the host: into the module, or waiting for the bus."""
        power, device = self._power, self._device
        if power.is_watching:
            power.traffic()
        if self._inward or not device.flows or not self._fits(len(data)):
            self._inward.append(data)
            device.resume("host")  # nothing where the bus is awake
        elif device.deaf_until_ns:
            self._arrive(data)
        else:
            self._port.arrive(data)

    def from_module(self, data: bytes) -> None:
        """Bytes from the module: to the host, or waiting for the bus, which the module wakes if it may."""
        power, port = self._power, self._port
        if power.is_watching:
            power.traffic()
        if self._device.flows or not port.clients:
            port.deliver(data)
            return
        self._outward.append(data)
        if power.wakes_host:
            self._device.resume("module")

    def set_host(self, settings: LineSettings, *, rtscts: bool = False) -> None:
        """A bus has no rate to be set."""

    def lines_changed(self) -> None:
        """Control lines are requests on the control pipe; nothing waits for them."""

    def set_break(self, on: bool) -> None:
        """A break is a request to a module that has no line to hold."""

    def _fits(self, size: int) -> bool:
        """Whether the present microframe still takes *size* bytes."""
        now_ns = self._timeline.now_ns
        if now_ns >= self._frame_ends_ns:
            self._frame_ends_ns, self._packets = now_ns - now_ns % MICROFRAME_NS + MICROFRAME_NS, 0
        elif self._packets >= PACKETS_PER_MICROFRAME:
            if self._next_frame is None:
                self._next_frame = self._timeline.call_at(self._frame_ends_ns, self._on_frame)
            return False
        self._packets += 1 + (size - 1) // PACKET_BYTES
        return True

    def _arrive(self, data: bytes) -> None:
        if self._timeline.now_ns < self._device.deaf_until_ns:
            self._port.lose(data)
        else:
            self._port.arrive(data)

    def _on_frame(self) -> None:
        self._next_frame = None
        self._pass_inward()

    def _on_flow(self, news: None) -> None:
        del news
        outward, self._outward = self._outward, deque()
        for data in outward:
            self._port.deliver(data)
        self._pass_inward()

    def _pass_inward(self) -> None:
        while self._inward and self._device.flows and self._fits(len(self._inward[0])):
            self._arrive(self._inward.popleft())

    def _on_vanish(self, news: None) -> None:
        """What was waiting is lost with the port."""
        del news
        for data in (*self._inward, *self._outward):
            self._port.lose(data)
        self._inward.clear()
        self._outward.clear()
        if self._next_frame is not None:
            self._next_frame.cancel()
            self._next_frame = None
