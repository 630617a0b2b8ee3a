"""What one port's client has set: echo, formatting, registers, reports.

Every port has a session of its own; a boot, Z and &F bring back the profile's defaults.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.network.stat import Domain

from .message_settings import MessageSettings

if TYPE_CHECKING:
    from simulator.module.profile import At

# Ranges of the S-parameters (V.250 6.2.1 to 6.3.12) and their values after a boot.  S7 and S10 have no
# recommended default in V.250: 60 and 14 are common practice, no source.
REGISTERS: Final[dict[int, tuple[int, int, int]]] = {
    0: (0, 255, 0),
    3: (0, 127, 13),
    4: (0, 127, 10),
    5: (0, 127, 8),
    6: (2, 10, 2),
    7: (1, 255, 60),
    8: (0, 255, 2),
    10: (1, 254, 14),
}


# What +CSCS offers (TS 27.007 5.5, names and default from memory).
CHARACTER_SETS: Final = ("IRA", "GSM", "UCS2")

# How many events a session keeps while it may not send them.
_MOST_EVENTS: Final = 32


class Session:
    """The settings of one port."""

    def __init__(self, defaults: At) -> None:
        self._defaults = defaults
        self.quirks = defaults.quirks
        self.registers: dict[int, int] = {}
        self.reset()

    def reset(self) -> None:
        """Bring back the defaults."""
        defaults = self._defaults
        self.echo = defaults.echo
        self.verbose = defaults.verbose
        self.quiet = defaults.quiet
        self.result_level = defaults.result_level
        self.carrier_detect = 1
        self.terminal_ready = 2
        self.error_level = defaults.error_level
        self.registration_reports = dict.fromkeys(Domain, 0)
        self.registration_reports[Domain.CIRCUIT] = defaults.registration_report
        self.connection_report = 0
        self.operator_format = 0
        self.zone_report = 0
        self.character_set = CHARACTER_SETS[0]
        self.messages = MessageSettings()
        self.event_mode = self.event_indicators = self.event_buffer = 0
        self.events_kept: list[str] = []
        self.registers.clear()
        self.registers.update({number: default for number, (_, _, default) in REGISTERS.items()})
        self._format()

    def takes_event(self, line: str) -> bool:
        """Whether an indicator's *line* is to be sent now (TS 27.007 8.10); under <mode> 0 it is kept."""
        if not self.event_indicators:
            return False
        if self.event_mode:
            return True
        self.events_kept = [*self.events_kept, line][-_MOST_EVENTS:]
        return False

    def set_register(self, number: int, value: int) -> None:
        """Set an S-parameter that is in its range."""
        self.registers[number] = value
        self._format()

    def _format(self) -> None:
        self.has_new_format = True
        first, second = (chr(self.registers[number]) for number in (3, 4))
        if self.quirks.fixed_format:
            first, second = "\r", "\n"
        self.line_end = first + second
        self.numeric_end = self.line_end if self.quirks.numeric_with_line_feed else first
