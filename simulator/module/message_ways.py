"""How a module keeps and takes messages: places, prompt, and ways in which modules differ."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import Field

from simulator.kernel.section import NotNegative, Section


class MessageQuirks(Section):
    """Each is off unless turned on (common practice, no source).

    *escape_is_text*: ESC does not end the entry of a message; *cancel_is_error*: an entry ended with ESC
    answers ERROR; *forgives_pdu*: an odd digit and a wrong length are forgiven; *overwrites_oldest*: a full
    store gives up its first message; *loses_when_full*: what comes to a full store is acknowledged and lost;
    *keeps_places*: deleted places are free after the next boot only; *keeps_unfinished*: an entry that a loss
    of power ends is stored.
    """

    escape_is_text: bool = False
    cancel_is_error: bool = False
    forgives_pdu: bool = False
    overwrites_oldest: bool = False
    loses_when_full: bool = False
    keeps_places: bool = False
    keeps_unfinished: bool = False


class MessageWays(Section):
    """Stores, and the prompt (3GPP TS 27.005 3.5.1).

    *places* of the module's own store and *report_places* of that for status reports; the card brings its
    own.  *preferred*: the store in force after a boot.  The prompt comes *prompt_s* after its command.
    """

    places: Annotated[int, Field(ge=0, le=255)] = 100
    report_places: Annotated[int, Field(ge=0, le=255)] = 10
    preferred: Literal["SM", "ME", "MT"] = "SM"
    prompt: Annotated[str, Field(max_length=20)] = "\r\n> "
    prompt_s: NotNegative = 0
    quirks: MessageQuirks = MessageQuirks()
