"""A programmable attenuator by SCPI (INPut:ATTenuation, SCPI-1999 volume 2, from memory)."""

from __future__ import annotations

from typing import TYPE_CHECKING, ClassVar

from .contracts import AttenuatorDriver, DriverOptions
from .scpi import ScpiOptions, ScpiPart

if TYPE_CHECKING:
    from collections.abc import Collection


class ScpiAttenuatorOptions(ScpiOptions):
    """Where the attenuator is, and its words."""

    set_db: str = "INP:ATT {value:.2f}"
    ask_db: str = "INP:ATT?"

    def resources(self) -> Collection[str]:
        """The channel."""
        return [f"scpi:{self.resource}:attenuator:{self.channel or 1}"]


class ScpiAttenuator(AttenuatorDriver):
    """An attenuator between cell and antenna connector."""

    Options: ClassVar[type[DriverOptions]] = ScpiAttenuatorOptions

    def __init__(self, options: ScpiAttenuatorOptions, part: str) -> None:
        self._words = options
        self._scpi = ScpiPart(options, part)

    def set_db(self, attenuation_db: float) -> None:
        """Attenuate by so much."""
        self._scpi.tell(self._words.set_db.format(value=attenuation_db))

    def check(self) -> str:
        """Who it is, and how it is set."""
        value = self._scpi.number(self._words.ask_db, low=0, high=200)
        return f"{self._scpi.identity()}; {value:g} dB"

    def close(self) -> None:
        """Let go of the session."""
        self._scpi.close()
