"""What profile and wiring say of a bench, whatever is on it: which header pin is which role.

The unit and the board on the bench may not be what they ought to be; suites go by this.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.kernel.recorder import Recorder
from simulator.kernel.timeline import Timeline
from simulator.model import build_board

if TYPE_CHECKING:
    from hil.bench.files import BenchDescription

# Roles that a suite knows pins by, and the module's names for them.
ROLES: Final = {"power_key": "POWER_KEY", "radio_disable": "RADIO_DISABLE", "status": "STATUS"}


class NominalBoard:
    """The board that *description* describes, with the module that its profile describes."""

    def __init__(self, description: BenchDescription) -> None:
        timeline = Timeline()
        recorder = Recorder(timeline)
        settings, self._profile = description.settings, description.profile
        self._board = build_board(settings, self._profile, timeline=timeline, recorder=recorder)
        self.routes = {role: self._board.route(pin) for role, pin in ROLES.items()}

    @property
    def roles(self) -> list[str]:
        """The roles that a header pin reaches."""
        return [role for role, route in self.routes.items() if route is not None]

    @property
    def has_flow_control(self) -> bool:
        """Whether RTS and CTS are heeded by the module and wired."""
        board, powered = self._board, self._board.all_powered()
        return self._profile.uart.flow_control and all(
            board.reader.carries(pin, powered) for pin in ("UART_CTS", "UART_RTS")
        )
