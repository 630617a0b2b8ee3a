"""The source at the header in, the module's rail out: there or not there.

A first, steady supply: cable and regulator at no load, no capacitor, no dip.  The rail is good once
it is at the module's `restart_v`, and bad at once below its lock-out.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Protocol

from pydantic import Field

from simulator.kernel.announcement import Announcement
from simulator.kernel.section import NotNegative, Positive, Section

from .wiring import Regulator

if TYPE_CHECKING:
    from simulator.kernel.recorder import Recorder

    from .wiring import Wiring


class RailNeeds(Protocol):
    """What a module needs of its rail, in volts."""

    @property
    def lockout_v(self) -> float:
        """Below this the module stops at once."""

    @property
    def restart_v(self) -> float:
        """Above this it can start."""


class SupplySettings(Section):
    """The source at the header that a bench file describes."""

    volts: Annotated[float, Field(ge=0, le=60)] = 5.0
    resistance_ohm: NotNegative = 0.05
    limit_a: Positive = 3.0


class Supply:
    """The source and the rail behind it.

    `source_changed` announces that the source was turned on or off, `rail_changed` that the module's
    rail became good or bad.
    """

    def __init__(
        self,
        settings: SupplySettings,
        *,
        wiring: Wiring,
        needs: RailNeeds,
        recorder: Recorder,
    ) -> None:
        self.volts = settings.volts
        self.is_on = False
        self.is_good = False
        self.source_changed: Announcement[bool] = Announcement()
        self.rail_changed: Announcement[bool] = Announcement()
        self._regulators = [part for part in wiring.parts.values() if isinstance(part, Regulator)]
        self._needs, self._recorder = needs, recorder
        self._shown_v: float | None = None

    def turn(self, *, on: bool) -> None:
        """Turn the source on or off."""
        if on is not self.is_on:
            self.is_on = on
            self.source_changed.announce(on)
        self._settle()

    def set_volts(self, volts: float) -> None:
        """Set the source to *volts* (0 to 60)."""
        if not 0 <= volts <= 60:  # noqa: PLR2004 # as in `SupplySettings`
            raise ValueError(f"the supply is 0 to 60 V, not {volts:g}")
        self.volts = volts
        self._settle()

    @property
    def rail_v(self) -> float:
        """The module's rail in volts, at no load."""
        volts = self.volts if self.is_on else 0.0
        for regulator in self._regulators:
            volts = 0.0 if volts < regulator.lockout_v else min(regulator.volts, volts - regulator.dropout_v)
        return volts

    def _settle(self) -> None:
        rail_v = self.rail_v
        if rail_v != self._shown_v:
            self._shown_v = rail_v
            self._recorder.record("supply/rail", "volts", value=round(rail_v, 6))
        good = rail_v >= (self._needs.lockout_v if self.is_good else self._needs.restart_v)
        if good is not self.is_good:
            self.is_good = good
            self.rail_changed.announce(good)
