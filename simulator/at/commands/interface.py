"""The serial interface, set by command (ITU-T V.250 6.2.10 to 6.2.12).

They concern the UART on whatever port they are given (common practice, no source), and take effect once the
result is out, as 6.2.10 asks.  Neither Z nor &F touches them (common practice, no source).
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from simulator.at.errors import NOT_SUPPORTED, CommandError
from simulator.at.grammar import Form
from simulator.at.registry import Number, command
from simulator.module.uart import RATES

if TYPE_CHECKING:
    from simulator.at.call import Call
    from simulator.module.uart import Uart

_V250 = "ITU-T V.250"

# 6.2.11: data bits, whether there is parity, stop bits, by <format>; parity letters by <parity>.  <format> 0,
# detection, is not offered.
_FORMATS: Final = {1: "8N2", 2: "8P1", 3: "8N1", 4: "7N2", 5: "7P1", 6: "7N1"}
_PARITIES: Final = {0: "O", 1: "E", 2: "M", 3: "S"}
_NO_PARITY: Final = 3

_NOTHING, _LINES = 0, 2


def _uart(call: Call) -> Uart:
    uart = call.modem.module.serial
    if uart is None:
        raise CommandError(NOT_SUPPORTED)
    return uart


@command(
    "+IPR",
    standard=_V250,
    clause="6.2.10",
    forms=(Form.SET, Form.READ, Form.TEST),
    parameters=(Number(name="rate", high=RATES[-1], allowed=(0, *RATES), default=0),),
)
def rate(call: Call) -> None:
    """Rate of the UART in bit/s; 0 finds the host's, where the module can."""
    uart = _uart(call)
    detects = uart.profile.autobaud
    if call.form is Form.READ:
        call.say(f"+IPR: {0 if uart.detects_rate else uart.module.baud}")
    elif call.form is Form.TEST:
        rates = ",".join(map(str, RATES))
        call.say(f"+IPR: (0,{rates})" if detects else f"+IPR: (),({rates})")
    else:
        baud = call.number("rate")
        if baud == 0 and not detects:
            raise CommandError
        call.afterwards.append(partial(uart.set_rate, baud))


@command(
    "+ICF",
    standard=_V250,
    clause="6.2.11",
    forms=(Form.SET, Form.READ),
    parameters=(
        Number(name="format", low=1, high=6, default=3),
        Number(name="parity", high=3, default=_NO_PARITY),
    ),
)
def framing(call: Call) -> None:
    """Framing of the UART: 1 8N2, 2 8P1, 3 8N1, 4 7N2, 5 7P1, 6 7N1; P odd, even, mark, space."""
    uart = _uart(call)
    if call.form is Form.READ:
        settings = uart.module
        letters = {letter: number for number, letter in _PARITIES.items()}
        written = settings.framing.replace(settings.parity, "N" if settings.parity == "N" else "P")
        number = next(number for number, text in _FORMATS.items() if text == written)
        call.say(f"+ICF: {number},{letters.get(settings.parity, _NO_PARITY)}")
    else:
        text = _FORMATS[call.number("format")].replace("P", _PARITIES[call.number("parity")])
        call.afterwards.append(partial(uart.set_framing, text))


@command(
    "+IFC",
    standard=_V250,
    clause="6.2.12",
    forms=(Form.SET, Form.READ),
    parameters=(
        Number(name="by_dte", high=_LINES, allowed=(_NOTHING, _LINES), default=_LINES),
        Number(name="by_dce", high=_LINES, allowed=(_NOTHING, _LINES), default=_LINES),
    ),
)
def flow_control(call: Call) -> None:
    """Flow control of the UART, 0 none or 2 by line: the host's by RTS, the module's by CTS."""
    uart = _uart(call)
    if call.form is Form.READ:
        call.say(f"+IFC: {_LINES * uart.heeds_rts},{_LINES * uart.drives_cts}")
    else:
        heeds, drives = call.number("by_dte") == _LINES, call.number("by_dce") == _LINES
        call.afterwards.append(partial(uart.set_flow, heeds_rts=heeds, drives_cts=drives))


@command(
    "+FCLASS",
    standard="3GPP TS 27.007",
    clause="C.2.1",
    forms=(Form.SET, Form.READ, Form.TEST),
    parameters=(Number(name="n", high=0, default=0),),
)
def service_class(call: Call) -> None:
    """Class of service: 0, data, the only one (number of the clause and the bare answer from memory)."""
    if call.form is not Form.SET:
        call.say("0")
