"""The AT interface of one module: its ports' bytes in, replies and unsolicited lines out.

Each port that speaks AT has a channel of its own: reader, session, and the line under way.  The
engine subscribes to what happens in the module, the card and the network; they know no AT.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from simulator.module.power import Power

from . import commands as _commands  # noqa: F401 # registers every command
from .call import Modem
from .channel import Channel
from .extensions import extension_commands
from .grammar import Dialect
from .indicators import Indicators
from .message_reports import MessageReports
from .registration_text import RegistrationReports
from .registry import COMMANDS
from .zone_text import zone_text

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.card.card import Card
    from simulator.kernel.machine import Change
    from simulator.messages.messages import Messages
    from simulator.module.module import Module
    from simulator.module.port import Port
    from simulator.network.network_time import NetworkTime
    from simulator.network.registration import Registration

    from .session import Session

# The ports that hear the boot and the farewell line; the data port hears commands only.
_ANNOUNCED_ON: Final = ("at", "uart")


class AtEngine:
    """Answers AT on every port of *module* that speaks it."""

    def __init__(self, *, module: Module, card: Card, registration: Registration, messages: Messages) -> None:
        self.commands = COMMANDS.joined_with(extension_commands(module.profile.extensions))
        self.modem = Modem(
            module=module,
            card=card,
            registration=registration,
            messages=messages,
            unsolicited=self.unsolicited,
            indicators=Indicators(module=module, registration=registration, messages=messages),
            command_names=tuple(sorted(declared.name for declared in self.commands)),
        )
        self.message_reports = MessageReports(messages, self._unsolicited_channels)
        self.modem.indicators.changed.listen(self._on_indicator)
        quirks = module.profile.at.quirks
        self.dialect = Dialect(
            prefixes="+" + module.profile.extensions.prefix,
            spaces_count=quirks.spaces_count,
            closes_quotes=quirks.closes_quotes,
            one_command_a_line=quirks.one_command_a_line,
        )
        self._announced_on = [role for role in _ANNOUNCED_ON if role in module.profile.at.unsolicited_on]
        self.channels: dict[str, Channel] = {}
        self._reported_to: list[Channel] = []
        module.speaks.listen(self._on_speaks)
        module.power.ending.listen(lambda _: self._announce(module.profile.farewell_line))
        module.power.changed.listen(self._on_power)
        self._reports = RegistrationReports(registration, self.unsolicited)
        registration.clock.told.listen(self._on_time)
        registration.connection.changed.listen(self._on_connection)
        self._zone: tuple[int, int] | None = None

    def unsolicited(self, line: str, wanted: Callable[[Session], bool] = lambda _: True) -> None:
        """Send *line* on each port that the profile gives such lines to and whose session wants it."""
        for channel in self._unsolicited_channels():
            if wanted(channel.session):
                channel.unsolicited(line)

    def _unsolicited_channels(self) -> list[Channel]:
        return self._reported_to

    def _channel(self, port: Port) -> Channel:
        return Channel(port=port, modem=self.modem, commands=self.commands, dialect=self.dialect)

    def _on_speaks(self, port: Port) -> None:
        before = self.channels.get(port.role)
        if before is not None:
            before.close()  # the port has been away: what was under way on it is lost
        channel = self._channel(port)
        self.channels[port.role] = channel
        roles = self.modem.module.profile.at.unsolicited_on
        self._reported_to = [self.channels[role] for role in self.channels if role in roles]
        port.on_receive, port.on_unclogged = channel.receive, channel.go_on
        port.has_carrier, port.rings = channel.has_carrier, channel.rings
        if port.role in self._announced_on:
            channel.unsolicited(self.modem.module.profile.boot_line)

    def _announce(self, line: str) -> None:
        for role in self._announced_on:
            port = self.modem.module.ports.get(role)
            if port is not None and port.is_present:
                self._channel(port).unsolicited(line)

    def _on_power(self, change: Change[Power]) -> None:
        if change.after is Power.READY:
            return
        self._zone = None
        for channel in self.channels.values():
            if channel.entered is not None and change.after is not Power.STOPPING:
                self.modem.messages.entry_cut(channel.entered)
            channel.close()
        self.channels.clear()
        self._reported_to = []

    def _on_indicator(self, news: tuple[int, int]) -> None:
        line = f"+CIEV: {news[0]},{news[1]}"
        self.unsolicited(line, lambda session: session.takes_event(line))

    def _on_connection(self, is_connected: bool) -> None:
        """TS 27.007 10.1.30."""
        self.unsolicited(f"+CSCON: {int(is_connected)}", lambda session: bool(session.connection_report))

    def _on_time(self, told: NetworkTime) -> None:
        """TS 27.007 8.41: whenever the zone changes, and the first time it is known."""
        before, self._zone = self._zone, (told.quarters, told.dst_hours)
        if self._zone == before:
            return
        for level in (1, 2, 3):
            self.unsolicited(zone_text(told, level), partial(_reports_zone, level))


def _reports_zone(level: int, session: Session) -> bool:
    return session.zone_report == level
