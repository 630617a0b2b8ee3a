"""The character set of the terminal (3GPP TS 27.007 5.5)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.at.grammar import Form
from simulator.at.registry import Choice, command
from simulator.at.session import CHARACTER_SETS

if TYPE_CHECKING:
    from simulator.at.call import Call


@command(
    "+CSCS",
    standard="3GPP TS 27.007",
    clause="5.5",
    forms=(Form.SET, Form.READ),
    parameters=(Choice(name="chset", allowed=CHARACTER_SETS),),
)
def character_set(call: Call) -> None:
    """The set in which names and messages are written."""
    if call.form is Form.READ:
        call.say(f'+CSCS: "{call.session.character_set}"')
    else:
        call.session.character_set = call.text("chset") or CHARACTER_SETS[0]
