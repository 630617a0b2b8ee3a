"""Who the module is (3GPP TS 27.007 5.1 to 5.4; ITU-T V.250 6.1.4 to 6.1.9)."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simulator.at.grammar import Form
from simulator.at.registry import Number, command

if TYPE_CHECKING:
    from simulator.at.call import Call

_TS27007 = "3GPP TS 27.007"
_V250 = "ITU-T V.250"


@command("+GMI", standard=_V250, clause="6.1.4", forms=(Form.ACTION,))
@command("+CGMI", standard=_TS27007, clause="5.1", forms=(Form.ACTION,))
def manufacturer(call: Call) -> None:
    """The maker's name."""
    call.say(call.modem.module.profile.identity.manufacturer)


@command("+GMM", standard=_V250, clause="6.1.5", forms=(Form.ACTION,))
@command("+CGMM", standard=_TS27007, clause="5.2", forms=(Form.ACTION,))
def model(call: Call) -> None:
    """The model's name."""
    call.say(call.modem.module.profile.identity.model)


@command("+GMR", standard=_V250, clause="6.1.6", forms=(Form.ACTION,))
@command("+CGMR", standard=_TS27007, clause="5.3", forms=(Form.ACTION,))
def revision(call: Call) -> None:
    """The firmware's revision."""
    call.say(call.modem.module.profile.identity.revision)


@command("+GSN", standard=_V250, clause="6.1.7", forms=(Form.ACTION,))
def serial_number(call: Call) -> None:
    """The equipment's serial number: the IMEI."""
    call.say(call.modem.module.profile.identity.imei)


@command(
    "+CGSN",
    standard=_TS27007,
    clause="5.4",
    forms=(Form.ACTION, Form.SET),
    parameters=(Number(name="snt", high=3, default=0),),
)
def imei(call: Call) -> None:
    """The IMEI, plain (0) or by <snt>: 1 IMEI, 2 IMEI with software version, 3 software version."""
    serial = call.modem.module.profile.identity.imei
    version = "00"
    match call.number("snt"):
        case 1:
            call.say(f'+CGSN: "{serial}"')
        case 2:
            call.say(f'+CGSN: "{serial[:14]}{version}"')
        case 3:
            call.say(f'+CGSN: "{version}"')
        case _:
            call.say(serial)


@command("+GCAP", standard=_V250, clause="6.1.9", forms=(Form.ACTION,))
def capabilities(call: Call) -> None:
    """The command sets: +CGSM stands for 3GPP TS 27.007 (from memory)."""
    call.say("+GCAP: +CGSM")
