"""One card, as people write it into a bench file."""

from __future__ import annotations

from typing import Annotated, Final

from pydantic import Field

from simulator.kernel.section import NotNegative, Positive, Section, Several

PIN_TRIES: Final = 3
PUK_TRIES: Final = 10
# Of the code that ends a module's lock to one network (common practice, no source).
UNLOCK_TRIES: Final = 10

_Plmn = Annotated[str, Field(pattern=r"^\d{5,6}$")]


class CardSettings(Section):
    """The card that a bench file describes; it has no PIN without *pin*, asks for none without *pin_enabled*.

    *present* false: it lies beside the slot.  *starts_s*: how long its start takes, where it is slower than
    the profile's.  *number* is the subscriber's own, *provider* the name on the card.  *forbidden_plmns*, in
    *forbidden_places* places, and *preferred_plmns* are its lists (3GPP TS 31.102 4.2.16 and 4.2.5).  A bad
    contact opens *lost_every_s* on the average, for *lost_for_s* on the average; 0: never.  *service_centre*
    is the one for messages ("": none), *messages* the places for them.
    """

    imsi: Annotated[str, Field(pattern=r"^\d{6,15}$")] = "001010123456789"
    iccid: Annotated[str, Field(pattern=r"^\d{18,20}$")] = "8999900000000000121"
    number: Annotated[str, Field(pattern=r"^\+?\d{3,20}$")] | None = None
    service_centre: Annotated[str, Field(pattern=r"^(\+?\d{3,20})?$")] = "+447700900000"
    messages: Annotated[int, Field(ge=0, le=255)] = 20
    provider: Annotated[str, Field(pattern=r"^[ -~]{1,16}$")] | None = None
    mnc_digits: Annotated[int, Field(ge=2, le=3)] = 2
    pin: Annotated[str, Field(pattern=r"^\d{4,8}$")] | None = None
    pin_enabled: bool = True
    puk: Annotated[str, Field(pattern=r"^\d{8}$")] = "12345678"
    pin_tries: Annotated[int, Field(ge=0, le=PIN_TRIES)] = PIN_TRIES
    puk_tries: Annotated[int, Field(ge=0, le=PUK_TRIES)] = PUK_TRIES
    present: bool = True
    starts_s: NotNegative | None = None
    forbidden_plmns: Several[_Plmn] = ()
    forbidden_places: Annotated[int, Field(ge=4, le=32)] = 4
    preferred_plmns: Several[_Plmn] = ()
    lost_every_s: NotNegative = 0.0
    lost_for_s: Positive = 1.0


class CardMove(Section):
    """What a move of the card may say; another *imsi*, *iccid* or *number* is another card in the slot."""

    present: bool = True
    imsi: Annotated[str, Field(pattern=r"^\d{6,15}$")] = "001010123456789"
    iccid: Annotated[str, Field(pattern=r"^\d{18,20}$")] = "8999900000000000121"
    number: Annotated[str, Field(pattern=r"^\+?\d{3,20}$")] | None = None
    starts_s: NotNegative | None = None
    lost_every_s: NotNegative = 0.0
    lost_for_s: Positive = 1.0
