"""A voltmeter by SCPI at the module's rail."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from .contracts import DriverOptions, MeterDriver
from .scpi import ScpiOptions, ScpiPart

if TYPE_CHECKING:
    from collections.abc import Collection


class ScpiMeterOptions(ScpiOptions):
    """Where the meter is, and its word for a measurement."""

    ask_volts: str = "MEAS:VOLT:DC?"

    def resources(self) -> Collection[str]:
        """The meter; a supply at the same instrument is another part."""
        return [f"scpi:{self.resource}:meter:{self.channel or 1}"]


class ScpiMeter(MeterDriver):
    """A voltmeter."""

    Options: ClassVar[type[DriverOptions]] = ScpiMeterOptions

    def __init__(self, options: ScpiMeterOptions, part: str) -> None:
        self._words = options
        self._scpi = ScpiPart(options, part)

    def volts(self) -> float:
        """The rail, measured."""
        return self._scpi.number(self._words.ask_volts, low=-100, high=100)

    def check(self) -> str:
        """Who it is, and what it measures."""
        return f"{self._scpi.identity()}; {self.volts():.3f} V"

    def close(self) -> None:
        """Let go of the session."""
        self._scpi.close()
