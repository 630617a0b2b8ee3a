"""A profile's extension commands in, registered commands out."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

from .grammar import Form
from .registry import Commands, Declared, Number, Text

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.module.extension_schema import ExtensionCommand, ExtensionParameter, ExtensionSet

    from .call import Call, Value
    from .registry import Parameter, Steps


def extension_commands(extensions: ExtensionSet) -> Commands:
    """The commands that a profile describes, under their prefixed names."""
    commands = Commands()
    for name, described in extensions.commands.items():
        full_name = extensions.prefix + name
        commands.add(
            Declared(
                name=full_name,
                standard="profile",
                clause="extensions",
                forms=frozenset(Form(form) for form in described.forms),
                parameters=tuple(map(_parameter, described.parameters)),
                handler=_Extension(full_name, described),
                summary=described.summary,
                abortable=described.abortable,
            )
        )
    return commands


def _parameter(described: ExtensionParameter) -> Parameter:
    if described.kind == "text":
        return Text(name=described.name, longest=described.longest, bare=True)
    default = described.default if isinstance(described.default, int) else None
    return Number(name=described.name, low=described.low, high=described.high, default=default)


class _Extension:
    """Carries out one described command; what was set last is kept until the next boot."""

    def __init__(self, name: str, described: ExtensionCommand) -> None:
        self._name, self._described = name, described
        self._set: dict[str, Value] = {}
        self._set_in_boot = -1

    def __call__(self, call: Call) -> Steps:
        described, module = self._described, call.modem.module
        if described.delay_s.max > 0:
            yield module.draws.draw_ns(f"extension/{self._name}", described.delay_s)
        if call.form is Form.SET:
            self._set, self._set_in_boot = dict(call.values), module.boots
            self._take_effect(call)
        elif call.form is Form.ACTION:
            self._take_effect(call)
        if described.reply is not None and call.form is not Form.SET:
            call.say(f"{self._name}: {self._filled(described.reply, call)}")
        for later in described.later:
            delay_ns = module.draws.draw_ns(f"extension/{self._name}/later", later.after_s)
            line = self._filled(later.line, call)
            module.timeline.call_in(delay_ns, partial(call.modem.unsolicited, line))

    def _filled(self, template: str, call: Call) -> str:
        module, card, registration = call.modem.module, call.modem.card, call.modem.registration
        identity = module.profile.identity
        values = {parameter.name: _unset(parameter) for parameter in self._described.parameters}
        if self._set_in_boot == module.boots:
            values |= self._set
        rssi_dbm = registration.rssi_dbm
        return template.format(
            temperature_c=round(module.temperature_c),
            iccid=card.iccid,
            imsi=card.imsi,
            imei=identity.imei,
            revision=identity.revision,
            model=identity.model,
            rssi_dbm="" if rssi_dbm is None else round(rssi_dbm),
            **values,
        )

    def _take_effect(self, call: Call) -> None:
        module = call.modem.module
        number = next((value for value in call.values.values() if isinstance(value, int)), 0)
        after: Callable[[], None] | None = None
        match self._described.effect:
            case "stop":
                after = partial(module.power.stop, "command")
            case "restart":
                after = partial(module.power.restart, "command")
            case "rate":
                after = partial(module.set_rate, number)
            case "composition":
                after = partial(module.show_composition, number)
            case "rest":
                module.set_rest(number)
            case "position":
                module.position_on = bool(number)
            case "radio":
                module.radio.request(number)
            case "none":
                pass
        if after is not None:
            call.afterwards.append(after)


def _unset(parameter: ExtensionParameter) -> Value:
    """What reads back before anything was set."""
    if parameter.default is not None:
        return parameter.default
    return "" if parameter.kind == "text" else parameter.low
