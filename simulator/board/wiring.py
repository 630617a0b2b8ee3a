"""A carrier's schematic: a table read from a file in, a checked `Wiring` out.

A wiring is a list of nets, by name, with the parts between them, and says which net each header pin
and each module pin is on.  Knows no level and no file.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Annotated, Final, Literal, Self

from pydantic import Field, model_validator

from simulator.kernel.section import NotNegative, Positive, Section, Volts

from .parts import Jumper, LevelShifter, Part, Pull, SlideSwitch, nets_of

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

ModulePin = Literal[
    "POWER_KEY",
    "RADIO_DISABLE",
    "STATUS",
    "UART_TX",
    "UART_RX",
    "UART_RTS",
    "UART_CTS",
    "I2C_SDA",
    "I2C_SCL",
    "SUPPLY",
]
# Named as V.24 does, from the host's side: the module drives CTS and heeds RTS.
UartPin = Literal["UART_TX", "UART_RX", "UART_RTS", "UART_CTS"]
PowerKind = Literal["always", "host", "module", "module-on", "supply"]

# The net that is ground by its name, where a wiring uses it.
GND: Final = "GND"

_TWO_ENDS: Final = 2


class Rail(Section):
    """A net held at *volts*: always, while the host, the module or the source at the header has power.

    `module-on` is an output of the module's that is there only while the module is on.  A rail
    comes *after_s* later than the power it hangs on, and shows *off_ohm* to ground without it.
    """

    volts: Volts
    powered_by: PowerKind = "always"
    after_s: NotNegative = 0.0
    off_ohm: Positive = 10e3


class Wiring(Section):
    """One carrier: *header* and *module* map pins to nets, *rails* are nets held at a voltage."""

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    header: dict[Annotated[str, Field(pattern=r"^\d+$")], str]
    module: dict[ModulePin, str]
    rails: dict[str, Rail]
    parts: dict[str, Part]

    @model_validator(mode="after")
    def _sound(self) -> Self:
        for problem in self._problems():
            raise ValueError(problem)
        return self

    def _problems(self) -> Iterator[str]:
        yield from self._loose_ends()
        for name, part in self.parts.items():
            if isinstance(part, Pull):
                yield from self._no_rail(f"{name}.to", part.to, {*self.rails, GND})
            elif isinstance(part, LevelShifter):
                yield from self._no_rail(f"{name}.input_supply", part.input_supply, set(self.rails))
                yield from self._no_rail(f"{name}.output_supply", part.output_supply, set(self.rails))
        if GND in self.rails and self.rails[GND].volts != 0:
            yield f"rails.{GND}.volts: ground is 0 V, not {self.rails[GND].volts:g}"

    def _loose_ends(self) -> Iterator[str]:
        """Nets that only one thing touches: a slip of the pen or a broken track."""
        touches = Counter(net for part in self.parts.values() for net in nets_of(part))
        ends = Counter([*self.header.values(), *self.module.values()])
        known = {*self.rails, GND}
        for place, pins in (("header", self.header), ("module", self.module)):
            for pin, net in pins.items():
                if net not in known and touches[net] + ends[net] < _TWO_ENDS:
                    yield f"{place}.{pin}: no part and no rail touches the net {net!r}"
        for name, part in self.parts.items():
            for net in nets_of(part):
                if net not in known and touches[net] + ends[net] < _TWO_ENDS:
                    yield f"parts.{name}: nothing else touches the net {net!r}"

    @staticmethod
    def _no_rail(place: str, net: str, rails: set[str]) -> Iterator[str]:
        if net not in rails:
            yield f"parts.{place}: {net!r} is no rail; rails are {sorted(rails)}"

    def position_names(self) -> dict[str, tuple[str, ...]]:
        """For each jumper and switch, what it can be set to."""
        names: dict[str, tuple[str, ...]] = {}
        for name, part in self.parts.items():
            if isinstance(part, Jumper):
                names[name] = tuple(part.positions)
            elif isinstance(part, SlideSwitch):
                names[name] = ("closed", "open")
        return names

    def joined(self, positions: Mapping[str, str]) -> dict[str, str]:
        """For each net the name it goes by with jumpers and switches set: joined nets share one.

        A rail among them gives the name.  Raises ValueError where two rails are joined: two sources
        without resistance on one net.
        """
        names = {net: net for part in self.parts.values() for net in nets_of(part)}
        names |= {net: net for net in (*self.rails, *self.header.values(), *self.module.values(), GND)}
        for name, part in self.parts.items():
            if isinstance(part, Jumper):
                one, other = part.common, part.positions[positions.get(name, part.default)]
            elif isinstance(part, SlideSwitch) and positions.get(name, part.default) == "closed":
                one, other = part.between
            else:
                continue
            keep, drop = names[one], names[other]
            if keep == drop:
                continue
            if self._is_held(drop):
                if self._is_held(keep):
                    where = positions.get(name, part.default)
                    rails = f"{keep!r} and {drop!r}"
                    raise ValueError(
                        f"parts.{name}: {where!r} joins the rails {rails}: two sources on one net"
                    )
                keep, drop = drop, keep
            for net, known in names.items():
                if known == drop:
                    names[net] = keep
        return names

    def _is_held(self, net: str) -> bool:
        return net in self.rails or net == GND
