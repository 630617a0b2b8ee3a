"""Another device on the host's bus: a serial adaptor whose ports take numbers and never answer.

Found before the module it takes the lower numbers, and whoever counts on the module's usual ones talks to it.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Final

from pydantic import Field

from simulator.kernel.section import Section

from .port import Port

if TYPE_CHECKING:
    from simulator.kernel.recorder import Recorder, Value

    from .nodes import NodeTable

MOST_PORTS: Final = 4


class AdaptorSettings(Section):
    """How many ports the adaptor has; 0 where none is plugged in."""

    ports: Annotated[int, Field(ge=0, le=MOST_PORTS)] = 0


class Adaptor:
    """A serial adaptor with up to four ports, `adaptor0` and so on; nothing is connected to them."""

    def __init__(self, *, nodes: NodeTable, recorder: Recorder) -> None:
        self.settings = AdaptorSettings()
        self.ports = {
            (role := f"adaptor{number}"): Port(role, recorder=recorder) for number in range(MOST_PORTS)
        }
        self._nodes, self._recorder = nodes, recorder

    def move(self, **moved: Value) -> None:
        """Plug in an adaptor with `ports` ports (0: none), in place of the one that was there.

        Raises pydantic.ValidationError for what is not allowed.
        """
        self.settings = AdaptorSettings.model_validate({**self.settings.model_dump(), **moved})
        self._recorder.record("surroundings/adaptor", "set", **moved)
        for port in self.ports.values():
            if port.is_present:
                port.vanish()
                if port.edge is None:  # an edge tells when the last handle is closed
                    self._nodes.release(port.node)
        for port in list(self.ports.values())[: self.settings.ports]:
            port.appear(self._nodes.take())
