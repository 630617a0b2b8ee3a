"""What the module says of messages by itself: news in, +CMTI, +CMT, +CDSI and +CDS out
(3GPP TS 27.005 3.4.1).
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from simulator.codec.tpdu import StatusReport
from simulator.messages.routing import Way, destination

from .message_lines import handed_out

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from simulator.messages.messages import Kept, Messages, Received
    from simulator.messages.routing import Routing

    from .channel import Channel

_TOLD = 2  # <ds>: stored, and told


class MessageReports:
    """Reports of *messages* on the *channels* that take unsolicited lines."""

    def __init__(self, messages: Messages, channels: Callable[[], Iterable[Channel]]) -> None:
        self._channels = channels
        messages.routings = self._routings
        messages.give = self._give
        messages.kept.listen(self._tell)
        messages.unacknowledged.listen(lambda _: self._stop())

    def _routings(self) -> list[Routing]:
        return [channel.session.messages.routing for channel in self._channels()]

    def _give(self, received: Received) -> bool:
        """Hand a message out to whoever wants it; whether anybody could take it."""
        is_taken = False
        for channel in self._channels():
            session = channel.session
            if _wants(received, session.messages.routing):
                text = session.line_end.join(handed_out(session, received.message, received.pdu))
                is_taken |= self._say(channel, text)
        return is_taken

    def _tell(self, kept: Kept) -> None:
        is_report = isinstance(kept.message, StatusReport)
        line = f'+{"CDSI" if is_report else "CMTI"}: "{kept.store}",{kept.index}'
        for channel in self._channels():
            routing = channel.session.messages.routing
            if routing.reports == _TOLD if is_report else routing.messages:
                self._say(channel, line)

    @staticmethod
    def _say(channel: Channel, text: str) -> bool:
        """Send or keep *text*; False where it is discarded.

        The link is reserved while a message is entered.
        """
        settings = channel.session.messages
        is_reserved = channel.entered is not None
        match settings.routing.mode:
            case 0:
                settings.kept.append(text)
            case 1 if is_reserved:
                return False
            case 2 if is_reserved:
                settings.kept.append(text)
            case _:
                channel.unsolicited(text)
        return True

    def _stop(self) -> None:
        """A message was not acknowledged: <mt> and <ds> are 0 from now on (3.4.4)."""
        for channel in self._channels():
            settings = channel.session.messages
            settings.routing = replace(settings.routing, messages=0, reports=0)


def _wants(received: Received, routing: Routing) -> bool:
    if isinstance(received.message, StatusReport):
        return routing.reports == 1
    return destination(received.message, (routing,)).way is Way.DIRECT
