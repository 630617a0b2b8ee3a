"""The way of messages over the air: octets in, acknowledgement out; bursts on the rail meanwhile.

It knows no text and no store.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.kernel.timeline import ns

from .causes import NO_SERVICE, TIMEOUT

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.codec.addresses import Address
    from simulator.kernel.timeline import Wakeup
    from simulator.module.module import Module
    from simulator.network.registration import Registration

    from .service_centre import ServiceCentre

# Opening the link for a message, and sending one over it (common practice, no source).
_OPEN_NS, _SEND_NS = ns(0.6), ns(0.3)
# The acknowledgement of a message that has come (common practice, no source).
_ACKNOWLEDGE_NS: Final = ns(0.1)
# TS 24.011 10.2.2.1: TR1M is 35 to 45 s.
ANSWER_LIMIT_NS: Final = ns(40)
# TS 27.005 3.5.6: the link is kept for 1 to 5 s after a message, where more are to follow.
KEPT_NS: Final = ns(5)

ONCE, NEXT, ALWAYS = 0, 1, 2


class _UnderWay:
    """One message on its way to the service centre."""

    def __init__(self, settled: Callable[[int | None], None]) -> None:
        self.settled = settled
        self.wakeups: tuple[Wakeup, ...] = ()

    def cancel(self) -> None:
        for wakeup in self.wakeups:
            wakeup.cancel()


class MessageLink:
    """The link between module and service centre; `stays_open` is what +CMMS asks for: 0, 1 or 2."""

    def __init__(self, *, module: Module, registration: Registration, centre: ServiceCentre) -> None:
        self._module, self._registration, self._centre = module, registration, centre
        self.stays_open = ONCE
        self._open_until_ns = 0
        self._under_way: list[_UnderWay] = []
        module.power.changed.listen(lambda _: self._cut())
        registration.changed.listen(lambda _: self._review())

    def send(self, octets: bytes, centre: Address, settled: Callable[[int | None], None]) -> None:
        """Send a message; *settled* gets None, or the code of +CMS ERROR, unless the module goes before."""
        if not self.has_service:
            settled(NO_SERVICE)
            return
        timeline = self._module.timeline
        is_open = timeline.now_ns <= self._open_until_ns
        takes_ns = _SEND_NS if is_open else _OPEN_NS + _SEND_NS
        self._burst(takes_ns)
        sending = _UnderWay(settled)
        self._under_way.append(sending)

        def settle(result: int | None) -> None:
            if sending in self._under_way:
                self._under_way.remove(sending)
                sending.cancel()
                self._keep_open()
                settled(result)

        def arrive() -> None:
            if self.reaches_network:
                self._centre.submit(octets, centre, settle)

        sending.wakeups = (
            timeline.call_in(takes_ns, arrive),
            timeline.call_in(takes_ns + ANSWER_LIMIT_NS, lambda: settle(TIMEOUT)),
        )

    @property
    def has_service(self) -> bool:
        """Whether the module is registered for messages: in LTE that is more than for packet service."""
        serving = self._registration.serving
        if serving is None:
            return False
        return serving.settings.technology != "lte" or serving.settings.registers != "packet"

    @property
    def reaches_network(self) -> bool:
        """Whether the module has the service, and is heard by its cell."""
        serving = self._registration.serving
        return self.has_service and serving is not None and self._registration.air.is_reached(serving)

    def acknowledge(self) -> None:
        """The answer to a message that has come goes out."""
        self._burst(_ACKNOWLEDGE_NS)

    def _keep_open(self) -> None:
        if self.stays_open != ONCE:
            self._open_until_ns = self._module.timeline.now_ns + KEPT_NS
        if self.stays_open == NEXT:
            self._module.timeline.call_in(KEPT_NS, self._close_when_idle)

    def _close_when_idle(self) -> None:
        """<n> 1 turns to 0 when no message has followed in time."""
        if self._module.timeline.now_ns >= self._open_until_ns and self.stays_open == NEXT:
            self.stays_open = ONCE

    def _burst(self, takes_ns: int) -> None:
        serving = self._registration.serving
        if serving is not None:
            self._registration.connection.use(serving, takes_ns)

    def _review(self) -> None:
        """Without registration the link is gone."""
        if self._registration.is_registered:
            return
        self._open_until_ns = 0
        for sending in self._drop():
            if self._module.power.is_running:
                sending.settled(NO_SERVICE)

    def _cut(self) -> None:
        """The module goes: whoever waited is gone too."""
        self._open_until_ns, self.stays_open = 0, ONCE
        self._drop()

    def _drop(self) -> list[_UnderWay]:
        dropped, self._under_way = self._under_way, []
        for sending in dropped:
            sending.cancel()
        return dropped
