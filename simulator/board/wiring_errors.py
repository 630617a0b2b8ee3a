"""Every single wiring error that a wiring file can express: a sound wiring in, wrong ones out.

One part missing, shorted, of the wrong value or the wrong way round, one jumper or switch set otherwise,
two pins swapped, one net shorted to ground.  Knows no voltage.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import combinations
from typing import TYPE_CHECKING, Final, TypeAlias

from . import parts
from .wiring import GND, Wiring

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from .parts import Part

    # Parts put in the place of one part, by name; none of them: it is not fitted.
    _Instead: TypeAlias = dict[str, Part]

_SHORT_OHM: Final = 0.1
_TEN: Final = 10.0
_CORRODED: Final = 100.0
_OTHER_REGULATORS_V: Final = (3.3, 5.0)


@dataclass(frozen=True, slots=True, kw_only=True)
class WiringError:
    """One error: its *name* for people, and the wiring and positions that it makes."""

    name: str
    wiring: Wiring
    positions: Mapping[str, str] = field(default_factory=dict)


def single_errors(wiring: Wiring, positions: Mapping[str, str]) -> list[WiringError]:
    """All of them; what would join two rails is left out: it would burn before it is measured."""
    found = [
        *_part_errors(wiring, positions),
        *_setting_errors(wiring, positions),
        *_pin_errors(wiring, positions),
    ]
    return [error for error in found if _can_be(error)]


def _can_be(error: WiringError) -> bool:
    try:
        error.wiring.joined(error.positions)
    except ValueError:
        return False
    return True


def _setting_errors(wiring: Wiring, positions: Mapping[str, str]) -> Iterator[WiringError]:
    for name, allowed in wiring.position_names().items():
        part = wiring.parts[name]
        now = positions.get(name, part.default)  # type: ignore[union-attr] # jumpers and switches have one
        for other in allowed:
            if other != now:
                yield WiringError(
                    name=f"{name} is set to {other}", wiring=wiring, positions={**positions, name: other}
                )


def _part_errors(wiring: Wiring, positions: Mapping[str, str]) -> Iterator[WiringError]:
    for name, part in wiring.parts.items():
        for what, instead in (("is not fitted", {}), *_wrong(name, part, wiring)):
            others = {known: kept for known, kept in wiring.parts.items() if known != name}
            yield WiringError(
                name=f"{name} {what}",
                wiring=wiring.model_copy(update={"parts": {**others, **instead}}),
                positions=positions,
            )


def _wrong(  # noqa: C901 # one row for each kind
    name: str, part: Part, wiring: Wiring
) -> Iterator[tuple[str, _Instead]]:
    """What can be wrong with one part that is there."""
    match part:
        case parts.Resistor() | parts.RcLine():
            yield from _values(name, part)
            yield "is shorted", {name: _bridge(*part.between)}
        case parts.Pull():
            yield from _values(name, part)
            yield "is shorted", {name: part.model_copy(update={"ohm": _SHORT_OHM})}
            for rail in (*wiring.rails, GND):
                if rail != part.to and not (rail == GND and GND in wiring.rails):
                    yield f"pulls to {rail}", {name: part.model_copy(update={"to": rail})}
        case parts.Diode():
            yield (
                "is the wrong way round",
                {name: part.model_copy(update={"anode": part.cathode, "cathode": part.anode})},
            )
            yield "is shorted", {name: _bridge(part.anode, part.cathode)}
        case parts.NpnStage() | parts.NmosStage():
            yield "is bypassed", {name: _bridge(part.input, part.output)}
            yield "is shorted at its output", {name: part, f"{name}+": _bridge(part.output, GND)}
            yield from _without_lower_resistor(name, part)
        case parts.LevelShifter():
            yield "has its channel shorted", {name: _bridge(part.input, part.output)}
            turned = {
                "input": part.output,
                "output": part.input,
                "input_supply": part.output_supply,
                "output_supply": part.input_supply,
            }
            yield "is the wrong way round", {name: part.model_copy(update=turned)}
        case parts.Cable():
            yield "is corroded", {name: part.model_copy(update={"ohm": max(part.ohm, 0.05) * _CORRODED})}
        case parts.Regulator():
            yield "is bypassed", {name: _bridge(part.input, part.output)}
            for volts in _OTHER_REGULATORS_V:
                yield f"gives {volts:g} V", {name: part.model_copy(update={"volts": volts})}
        case parts.Capacitor():
            yield "is shorted", {name: part, f"{name}+": _bridge(part.net, GND)}
        case _:
            pass  # jumpers and switches: their other settings are errors of their own


def _values(name: str, part: parts.Resistor | parts.RcLine | parts.Pull) -> Iterator[tuple[str, _Instead]]:
    yield f"has {part.ohm * _TEN:g} ohm", {name: part.model_copy(update={"ohm": part.ohm * _TEN})}
    yield f"has {part.ohm / _TEN:g} ohm", {name: part.model_copy(update={"ohm": part.ohm / _TEN})}


def _without_lower_resistor(
    name: str, part: parts.NpnStage | parts.NmosStage
) -> Iterator[tuple[str, _Instead]]:
    key = "base_emitter_ohm" if isinstance(part, parts.NpnStage) else "gate_source_ohm"
    if getattr(part, key) is not None:
        yield (
            f"has no {key.removesuffix('_ohm').replace('_', '-')} resistor",
            {name: part.model_copy(update={key: None})},
        )


def _pin_errors(wiring: Wiring, positions: Mapping[str, str]) -> Iterator[WiringError]:
    held = {*wiring.rails, GND}
    signals = {pin: net for pin, net in wiring.header.items() if net not in held}
    for one, other in combinations(signals, 2):
        header = {**wiring.header, one: signals[other], other: signals[one]}
        yield WiringError(
            name=f"header pins {one} and {other} are swapped",
            wiring=wiring.model_copy(update={"header": header}),
            positions=positions,
        )
    inner = {pin: net for pin, net in wiring.module.items() if pin != "SUPPLY"}
    for first, second in combinations(inner, 2):
        module = {**wiring.module, first: inner[second], second: inner[first]}
        yield WiringError(
            name=f"module pins {first} and {second} are swapped",
            wiring=wiring.model_copy(update={"module": module}),
            positions=positions,
        )
    for net in dict.fromkeys([*signals.values(), *inner.values()]):
        yield WiringError(
            name=f"net {net} is shorted to ground",
            wiring=wiring.model_copy(update={"parts": {**wiring.parts, "SHORT": _bridge(net, GND)}}),
            positions=positions,
        )


def _bridge(one: str, other: str) -> parts.Resistor:
    return parts.Resistor(kind="resistor", between=(one, other), ohm=_SHORT_OHM)
