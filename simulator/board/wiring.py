"""A carrier's schematic: a table read from a file in, a checked `Wiring` out.

A wiring is a list of nets, by name, with the parts between them, and says which net each header pin
and each module pin is on.  Knows no level and no file.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from simulator.kernel.section import NotNegative, Positive, Section, Several, Volts

ModulePin = Literal["POWER_KEY", "RADIO_DISABLE", "STATUS", "UART_TX", "UART_RX", "SUPPLY"]
Pair = Annotated[Several[str], Field(min_length=2, max_length=2)]


class Rail(Section):
    """A net held at *volts*: always, while the host or while the module has power."""

    volts: Volts
    powered_by: Literal["always", "host", "module", "supply"] = "always"


class Jumper(Section):
    """A jumper that joins *common* with one of several nets, by the name of its position."""

    kind: Literal["jumper"]
    common: str
    positions: dict[str, str]
    default: str

    @model_validator(mode="after")
    def _default_exists(self) -> Self:
        if self.default not in self.positions:
            raise ValueError(f"default {self.default!r} is none of the positions {sorted(self.positions)}")
        return self


class SlideSwitch(Section):
    """A switch that joins two nets while *closed*."""

    kind: Literal["slide-switch"]
    between: Pair
    default: Literal["closed", "open"]


class Resistor(Section):
    """A resistor of *ohm* between two nets."""

    kind: Literal["resistor"]
    between: Pair
    ohm: Positive


class Pull(Section):
    """A resistor of *ohm* from *net* to the rail *to*."""

    kind: Literal["pull"]
    net: str
    to: str
    ohm: Positive


class NpnStage(Section):
    """An inverting NPN stage: a high *input* pulls *output* to ground, a low one lets it go."""

    kind: Literal["npn-stage"]
    input: str
    output: str
    base_ohm: Positive
    base_emitter_ohm: Positive


class LevelShifter(Section):
    """A fixed-direction buffer from *input* to *output*, each side with its own supply rail."""

    kind: Literal["level-shifter"]
    direction: Literal["fixed"] = "fixed"
    input: str
    output: str
    input_supply: str
    output_supply: str


class Cable(Section):
    """Two supply nets joined by *ohm*."""

    kind: Literal["cable"]
    between: Pair
    ohm: NotNegative


class Regulator(Section):
    """A regulator from *input* to *output*: *volts* out, never above its input less *dropout_v*."""

    kind: Literal["regulator"]
    input: str
    output: str
    volts: Positive
    limit_a: Positive
    ohm: NotNegative
    dropout_v: NotNegative
    lockout_v: NotNegative


class Capacitor(Section):
    """A capacitor with its series resistance, from *net* to ground."""

    kind: Literal["capacitor"]
    net: str
    farad: Positive
    esr_ohm: NotNegative


Part = Annotated[
    Jumper | SlideSwitch | Resistor | Pull | NpnStage | LevelShifter | Cable | Regulator | Capacitor,
    Field(discriminator="kind"),
]


def nets_of(part: Part) -> tuple[str, ...]:
    """The nets that *part* touches, ground aside."""
    match part:
        case Jumper():
            return (part.common, *part.positions.values())
        case SlideSwitch() | Resistor() | Cable():
            return part.between
        case Pull():
            return (part.net, part.to)
        case NpnStage() | Regulator():
            return (part.input, part.output)
        case LevelShifter():
            return (part.input, part.output, part.input_supply, part.output_supply)
        case Capacitor():
            return (part.net,)


class Wiring(Section):
    """One carrier: *header* and *module* map pins to nets, *rails* are nets held at a voltage."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    header: dict[str, str]
    module: dict[ModulePin, str]
    rails: dict[str, Rail]
    parts: dict[str, Part]

    @model_validator(mode="after")
    def _every_net_is_touched(self) -> Self:
        touched = {net for part in self.parts.values() for net in nets_of(part)} | set(self.rails)
        ends = set(self.header.values()) | set(self.module.values())
        for place, pins in (("header", self.header), ("module", self.module)):
            for pin, net in pins.items():
                others = [other for other in (*self.header.values(), *self.module.values()) if other == net]
                if net not in touched and len(others) < 2:  # noqa: PLR2004 # a net has two ends
                    raise ValueError(f"{place}.{pin}: no part and no rail touches the net {net!r}")
        counts: dict[str, int] = {}
        for part in self.parts.values():
            for net in nets_of(part):
                counts[net] = counts.get(net, 0) + 1
        for name, part in self.parts.items():
            for net in nets_of(part):
                if counts[net] < 2 and net not in ends and net not in self.rails:  # noqa: PLR2004 # likewise
                    raise ValueError(f"parts.{name}: nothing else touches the net {net!r}")
            if isinstance(part, Pull) and part.to not in self.rails:
                raise ValueError(f"parts.{name}.to: {part.to!r} is no rail; rails are {sorted(self.rails)}")
        return self

    def position_names(self) -> dict[str, tuple[str, ...]]:
        """For each jumper and switch, what it can be set to."""
        names: dict[str, tuple[str, ...]] = {}
        for name, part in self.parts.items():
            if isinstance(part, Jumper):
                names[name] = tuple(part.positions)
            elif isinstance(part, SlideSwitch):
                names[name] = ("closed", "open")
        return names
