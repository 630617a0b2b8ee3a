"""A module maker's own commands, described in a profile without code.

An example of the section of a profile:

    [extensions]
    prefix = "*"

    [extensions.commands.STOP]
    summary = "stop in good order"
    forms = ["action"]
    effect = "stop"

    [extensions.commands.REST]
    summary = "rest the UART after idle seconds, 0 never"
    forms = ["set", "read"]
    parameters = [{ name = "idle_s", high = 3600 }]
    effect = "rest"
    reply = "{idle_s}"

    [extensions.commands.HEAT]
    summary = "temperature in degrees Celsius"
    forms = ["read"]
    reply = "{temperature_c}"

What a command does is one *effect* of a closed list:

    none      only the reply and the lines that follow
    stop      an orderly stop, after the final result
    restart   a restart without farewell, after the final result
    rest      the UART rests after the first parameter's seconds without traffic
    position  the first parameter switches the position engine off (0) or on (1)
    radio     the first parameter is the functionality asked for: 0, 1 or 4
    rate      the UART speaks at the first parameter's rate, after the final result; 0 finds the host's
    composition  leave the bus and come back as the first parameter's composition: 0 the normal one, then
              those of the profile's `usb.compositions` in their order; kept over boots

A command that is *abortable* ends early, without effect, by any character sent while its `delay_s` runs.

The last value set is kept until the next boot and can be read back by its parameter's name.
"""

from __future__ import annotations

from string import Formatter
from typing import Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from simulator.kernel.section import Section, Several

from .spread import Spread, SpreadOrNumber

Effect = Literal["none", "stop", "restart", "rest", "position", "radio", "rate", "composition"]

# What a reply may name beside the command's own parameters.
MODEL_VALUES: Final = ("temperature_c", "iccid", "imsi", "imei", "revision", "model", "rssi_dbm")

_NEEDS_A_NUMBER: Final = ("rest", "position", "radio", "rate", "composition")


class ExtensionParameter(Section):
    """One parameter: a number in *low* to *high*, or a text of up to *longest* characters."""

    name: Annotated[str, Field(pattern=r"^[a-z][a-z0-9_]*$")]
    kind: Literal["number", "text"] = "number"
    low: int = 0
    high: int = 1
    longest: Annotated[int, Field(ge=1, le=256)] = 64
    default: int | str | None = None


class LaterLine(Section):
    """An unsolicited line that follows *after_s* seconds later."""

    after_s: SpreadOrNumber
    line: str


class ExtensionCommand(Section):
    """One command of the maker's own."""

    summary: str = ""
    forms: Several[Literal["action", "set", "read"]]
    parameters: Several[ExtensionParameter] = ()
    reply: str | None = None
    delay_s: SpreadOrNumber = Spread(typ=0, min=0, max=0)
    later: Several[LaterLine] = ()
    effect: Effect = "none"
    abortable: bool = False

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not self.forms:
            raise ValueError("forms needs at least one of 'action', 'set', 'read'")
        if "read" in self.forms and self.reply is None:
            raise ValueError("reply is needed for the form 'read'")
        if self.effect in _NEEDS_A_NUMBER and (not self.parameters or self.parameters[0].kind != "number"):
            raise ValueError(f"effect {self.effect!r} needs a first parameter of kind 'number'")
        known = {parameter.name for parameter in self.parameters} | set(MODEL_VALUES)
        for template in (self.reply or "", *(later.line for later in self.later)):
            for _, name, _, _ in Formatter().parse(template):
                if name is not None and name not in known:
                    raise ValueError(f"{{{name}}} is not known; known are {', '.join(sorted(known))}")
        return self


class ExtensionSet(Section):
    """All commands of the maker's own, behind one prefix character (V.250 5.4.1 keeps `+` for standards)."""

    prefix: Annotated[str, Field(pattern=r"^[*$^%#!@\\_]$")] = "*"
    commands: dict[Annotated[str, Field(pattern=r"^[A-Z][A-Z0-9]{0,15}$")], ExtensionCommand] = Field(
        default_factory=dict
    )
