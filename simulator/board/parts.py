"""The parts of a carrier, each a table of a wiring file with its values and their units.

Knows no equation: `netlist.py` says what each part is in a circuit.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self, TypeAlias

from pydantic import Field, model_validator

from simulator.kernel.section import NotNegative, Positive, Section, Two


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
    between: Two[str]
    default: Literal["closed", "open"]


class Resistor(Section):
    """A resistor of *ohm* between two nets."""

    kind: Literal["resistor"]
    between: Two[str]
    ohm: Positive


class Pull(Section):
    """A resistor of *ohm* from *net* to the rail *to*."""

    kind: Literal["pull"]
    net: str
    to: str
    ohm: Positive


class Diode(Section):
    """A diode that conducts from *anode* to *cathode*.

    Its saturation current and emission coefficient are those of a small-signal silicon diode (about
    0.6 V at 1 mA) unless given; common practice, no source.
    """

    kind: Literal["diode"]
    anode: str
    cathode: str
    saturation_a: Positive = 2.5e-9
    emission: Annotated[float, Field(ge=1, le=3)] = 1.75


class RcLine(Section):
    """A resistor of *ohm* in a line *between* two nets, and *farad* from the second net to ground."""

    kind: Literal["rc"]
    between: Two[str]
    ohm: Positive
    farad: Positive


class NpnStage(Section):
    """An inverting NPN stage: a high *input* pulls *output* to ground, a low one lets it go.

    *base_ohm* leads to the base, *base_emitter_ohm* (where there is one) from there to ground.
    """

    kind: Literal["npn-stage"]
    input: str
    output: str
    base_ohm: Positive
    base_emitter_ohm: Positive | None = None


class NmosStage(Section):
    """An inverting N-MOS stage with its body diode, source to ground.

    *gate_ohm* leads to the gate, *gate_source_ohm* (where there is one) from there to ground;
    *threshold_v* is the gate voltage at which the channel begins to conduct.
    """

    kind: Literal["nmos-stage"]
    input: str
    output: str
    gate_ohm: Positive
    gate_source_ohm: Positive | None = None
    threshold_v: Positive = 1.0


class LevelShifter(Section):
    """One channel of a level shifter, each side with its own supply rail.

    *direction*: `fixed` is a buffer from *input* to *output*; `pass` a transistor between the two with
    a pull of *pull_ohm* on each side, its gate at *input_supply*, which has to be the lower one;
    `automatic` finds the direction by itself and holds the other side through 4 kOhm only.
    """

    kind: Literal["level-shifter"]
    direction: Literal["fixed", "pass", "automatic"] = "fixed"
    input: str
    output: str
    input_supply: str
    output_supply: str
    pull_ohm: Positive = 10e3

    @model_validator(mode="after")
    def _pulls_belong_to_pass(self) -> Self:
        if "pull_ohm" in self.model_fields_set and self.direction != "pass":
            raise ValueError("pull_ohm is for direction = 'pass' only")
        return self


class Cable(Section):
    """Two supply nets joined by *ohm*."""

    kind: Literal["cable"]
    between: Two[str]
    ohm: NotNegative


class Regulator(Section):
    """A linear regulator from *input* to *output*: *volts* out, never above its input less *dropout_v*.

    It gives at most *limit_a*.  Below *lockout_v* at its input it switches off, and comes back
    *start_s* after the input is *hysteresis_v* above that; while off it discharges its output through
    *discharge_ohm*, where it has such a switch.
    """

    kind: Literal["regulator"]
    input: str
    output: str
    volts: Positive
    limit_a: Positive
    ohm: NotNegative
    dropout_v: NotNegative
    lockout_v: NotNegative
    hysteresis_v: Positive = 0.2
    start_s: Positive = 0.001
    discharge_ohm: Positive | None = None


class Capacitor(Section):
    """A capacitor with its series resistance, from *net* to ground."""

    kind: Literal["capacitor"]
    net: str
    farad: Positive
    esr_ohm: NotNegative


Part: TypeAlias = Annotated[
    Jumper
    | SlideSwitch
    | Resistor
    | Pull
    | Diode
    | RcLine
    | NpnStage
    | NmosStage
    | LevelShifter
    | Cable
    | Regulator
    | Capacitor,
    Field(discriminator="kind"),
]


def nets_of(part: Part) -> tuple[str, ...]:  # noqa: PLR0911 # one row for each kind
    """The nets that *part* touches, ground aside."""
    match part:
        case Jumper():
            return (part.common, *part.positions.values())
        case SlideSwitch() | Resistor() | RcLine() | Cable():
            return part.between
        case Pull():
            return (part.net, part.to)
        case Diode():
            return (part.anode, part.cathode)
        case NpnStage() | NmosStage() | Regulator():
            return (part.input, part.output)
        case LevelShifter():
            return (part.input, part.output, part.input_supply, part.output_supply)
        case Capacitor():
            return (part.net,)
