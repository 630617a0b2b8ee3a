"""Edges of a line with the kernel's own time stamps, through libgpiod 2's Python binding."""

from __future__ import annotations

from typing import ClassVar

from .contracts import DriverOptions, Edge, SenseDriver
from .gpiod_line import GpiodOptions, GpiodRequest


class GpiodSense(SenseDriver):
    """An input whose edges the kernel stamps by CLOCK_MONOTONIC in its interrupt handler."""

    Options: ClassVar[type[DriverOptions]] = GpiodOptions

    def __init__(self, options: GpiodOptions, part: str) -> None:
        self._request = GpiodRequest(
            options, part, direction="input", edge_detection="both", event_clock="monotonic"
        )

    def edges(self) -> list[Edge]:
        """The edges since the last call."""
        rising = self._request.gpiod.EdgeEvent.Type.RISING_EDGE
        return [Edge(event.timestamp_ns, event.event_type == rising) for event in self._request.edges()]

    def level(self) -> bool:
        """The level now."""
        return self._request.value()

    def check(self) -> str:
        """Its level."""
        return f"{self._request.place} reads {'high' if self.level() else 'low'}"

    def close(self) -> None:
        """Give it back."""
        self._request.release()
