"""A supply by SCPI: voltage, current limit, output, and what it measures itself (SCPI-1999 volume 4)."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from .contracts import DriverOptions, SupplyDriver
from .scpi import ScpiOptions, ScpiPart

if TYPE_CHECKING:
    from collections.abc import Collection


class ScpiSupplyOptions(ScpiOptions):
    """Where the supply is, and its words where they are others than the standard's."""

    set_volts: str = "VOLT {value:.4f}"
    set_limit: str = "CURR {value:.4f}"
    turn_on: str = "OUTP ON"
    turn_off: str = "OUTP OFF"
    ask_on: str = "OUTP?"
    ask_volts: str = "MEAS:VOLT?"
    ask_amps: str = "MEAS:CURR?"

    def resources(self) -> Collection[str]:
        """The channel."""
        return [f"scpi:{self.resource}:supply:{self.channel or 1}"]


class ScpiSupply(SupplyDriver):
    """A programmable supply."""

    Options: ClassVar[type[DriverOptions]] = ScpiSupplyOptions

    def __init__(self, options: ScpiSupplyOptions, part: str) -> None:
        self._words = options
        self._scpi = ScpiPart(options, part)

    def set_volts(self, volts: float) -> None:
        """Set its voltage."""
        self._scpi.tell(self._words.set_volts.format(value=volts))

    def set_limit(self, amps: float) -> None:
        """Set its current limit."""
        self._scpi.tell(self._words.set_limit.format(value=amps))

    def turn(self, *, on: bool) -> None:
        """Turn its output on or off."""
        self._scpi.tell(self._words.turn_on if on else self._words.turn_off)

    def is_on(self) -> bool:
        """Whether its output is on."""
        return self._scpi.number(self._words.ask_on, low=0, high=1) == 1

    def volts(self) -> float:
        """Its output, measured; a supply that is off may read a little below nothing."""
        return self._scpi.number(self._words.ask_volts, low=-1, high=100)

    def amps(self) -> float:
        """What is drawn from it, measured."""
        return self._scpi.number(self._words.ask_amps, low=-1, high=100)

    def check(self) -> str:
        """Who it is, whether it is on, and what it measures."""
        state = "on" if self.is_on() else "off"
        return f"{self._scpi.identity()}; {state}, {self.volts():.3f} V, {self.amps():.4f} A"

    def close(self) -> None:
        """Let go of the session."""
        self._scpi.close()
