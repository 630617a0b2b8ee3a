"""A conversation in lines with the module of a built model."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.module.framing import LineSettings

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model


class Conversation:
    """One port without echo: a line in, the lines out, after the time that they take on bus or wire."""

    def __init__(self, model: Model, role: str = "at") -> None:
        self.model, self.role = model, role
        self.edges = MemoryEdges(model)
        self.port = model.module.ports[role]
        self.port.client_opened()
        if role == "uart":
            self.port.settings(LineSettings(model.module.profile.uart.baud))
        self("ATE0")

    def __call__(self, line: str) -> list[str]:
        self.port.receive(line.encode("latin-1") + b"\r")
        return self.later(0.2 if self.role == "uart" else 0.001)

    def heard(self) -> list[str]:
        return [part for part in self.heard_bytes().decode("latin-1").split("\r\n") if part]

    def heard_bytes(self) -> bytes:
        return self.edges.by_role[self.role].take(100_000)

    def later(self, seconds: float) -> list[str]:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        return self.heard()


@pytest.fixture
def converse(build: Callable[..., Model]) -> Callable[..., Conversation]:
    """Talk to a ready module; what else is to be different is passed on."""

    def converse(role: str = "at", name: str = "gauge-station", **overrides: Any) -> Conversation:  # noqa: ANN401 # any table
        return Conversation(build(name, **{"start": {"module": "ready"}, **overrides}), role)

    return converse
