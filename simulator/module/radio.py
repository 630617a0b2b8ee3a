"""What the user asks of the radios and what the radio-disable pin says in, the functionality in force out.

Functionality is that of TS 27.007 8.2: 0 minimum, 1 full, 4 transmit and receive circuits off.  An
asserted radio-disable pin wins over a request for full functionality, which stays on file and takes
effect once the pin is released (common practice, no source).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement

if TYPE_CHECKING:
    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .profile import Profile
    from .spread import Draws

MINIMUM: Final = 0
FULL: Final = 1
SILENT: Final = 4


class Radio:
    """The radios of one module.  `changed` announces each new functionality in force."""

    def __init__(self, *, timeline: Timeline, recorder: Recorder, draws: Draws, profile: Profile) -> None:
        self.changed: Announcement[int] = Announcement()
        self.requested = FULL
        self.disabled_by_pin = False
        self._functionality = FULL
        self._pin_asserted = False
        self._timeline, self._recorder, self._draws = timeline, recorder, draws
        self._delay = profile.delays.radio_off_s
        self._quirks = profile.quirks
        self._pending: Wakeup | None = None

    @property
    def functionality(self) -> int:
        """The functionality in force: 0, 1 or 4."""
        return self._functionality

    def request(self, functionality: int, *, cause: str = "command") -> None:
        """Ask for 0, 1 or 4; what is in force may still be 4 because of the pin."""
        if functionality not in (MINIMUM, FULL, SILENT):
            raise ValueError(f"functionality is 0, 1 or 4, not {functionality}")
        self.requested = functionality
        if functionality == FULL and self._quirks.command_beats_radio_pin:
            self.disabled_by_pin = False
        self._settle(cause)

    def set_pin(self, *, asserted: bool) -> None:
        """The radio-disable pin is asserted or not; its effect comes after the profile's delay."""
        if asserted == self._pin_asserted:
            return
        self._pin_asserted = asserted
        if self._pending is not None:
            self._pending.cancel()
        delay_ns = self._draws.draw_ns("radio_off", self._delay)
        self._pending = self._timeline.call_in(delay_ns, self._follow_pin)

    def reset(self) -> None:
        """Start afresh at boot: full functionality is asked for, the pin counts as it is now."""
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
        self.requested = FULL
        self.disabled_by_pin = self._pin_asserted
        self._settle("boot")

    def _follow_pin(self) -> None:
        self._pending = None
        self.disabled_by_pin = self._pin_asserted
        if not self._pin_asserted and self._quirks.radio_pin_release_turns_on:
            self.requested = FULL
        self._settle("pin")

    def _settle(self, cause: str) -> None:
        before = self._functionality
        after = SILENT if self.disabled_by_pin and self.requested == FULL else self.requested
        if after == before:
            return
        self._functionality = after
        self._recorder.record("module/radio", "state", **{"from": before, "to": after}, cause=cause)
        self.changed.announce(after)
