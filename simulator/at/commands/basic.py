"""Basic commands and S-parameters (ITU-T V.250 6.1 to 6.3)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.at.errors import CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Number, command
from simulator.at.session import REGISTERS

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.at.call import Call
    from simulator.at.registry import Handler

_V250 = "ITU-T V.250"


def _basic(name: str, *, clause: str, high: int) -> Callable[[Handler], Handler]:
    """A basic command with one number, 0 where it is left out (V.250 5.3.1)."""
    number = Number(name="value", high=high, default=0)
    return command(name, standard=_V250, clause=clause, forms=(Form.ACTION,), parameters=(number,))


@_basic("E", clause="6.2.4", high=1)
def echo(call: Call) -> None:
    """Echo of what the host sends, off or on."""
    call.session.echo = bool(call.number("value"))


@_basic("V", clause="6.2.6", high=1)
def verbose(call: Call) -> None:
    """Results as numbers or in words."""
    call.session.verbose = bool(call.number("value"))


@_basic("Q", clause="6.2.5", high=1)
def quiet(call: Call) -> None:
    """Results sent or suppressed."""
    call.session.quiet = bool(call.number("value"))


@_basic("X", clause="6.2.7", high=4)
def result_level(call: Call) -> None:
    """Which results a call may end with, and whether CONNECT tells the rate."""
    call.session.result_level = call.number("value")


@_basic("Z", clause="6.1.1", high=0)
def reset(call: Call) -> None:
    """The stored settings come back."""
    call.session.reset()


@_basic("&F", clause="6.1.2", high=0)
def factory_defaults(call: Call) -> None:
    """The factory's settings come back."""
    call.session.reset()


@_basic("&C", clause="6.2.8", high=1)
def carrier_detect(call: Call) -> None:
    """Circuit 109 always on, or following the carrier."""
    call.session.carrier_detect = call.number("value")


@_basic("&D", clause="6.2.9", high=2)
def terminal_ready(call: Call) -> None:
    """What a drop of circuit 108/2 does."""
    call.session.terminal_ready = call.number("value")


@_basic("H", clause="6.3.6", high=0)
def hang_up(call: Call) -> None:
    """End the call; without one, nothing but OK."""
    del call


@_basic("I", clause="6.1.3", high=9)
def information(call: Call) -> None:
    """Maker, model and revision."""
    identity = call.modem.module.profile.identity
    call.say(identity.manufacturer)
    call.say(identity.model)
    call.say(f"Revision: {identity.revision}")


@command(
    "S",
    standard=_V250,
    clause="5.3.2",
    forms=(Form.READ, Form.SET),
    parameters=(Number(name="number", high=255), Number(name="value", high=255, default=0)),
)
def s_parameter(call: Call) -> None:
    """Read or set an S-parameter (V.250 6.2.1 to 6.2.3, 6.3.8 to 6.3.12)."""
    number = call.number("number")
    if number not in REGISTERS:
        raise CommandError
    if call.form is Form.READ:
        width = 1 if call.session.quirks.short_s_parameters else 3
        call.say(f"{call.session.registers[number]:0{width}d}")
        return
    low, high, _ = REGISTERS[number]
    value = call.number("value")
    if not low <= value <= high:
        raise CommandError
    call.session.set_register(number, value)
