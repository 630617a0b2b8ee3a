"""Indicators of +CIND and +CIEV (3GPP TS 27.007 8.9, 8.10): the modem's state in, small numbers out."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement
from simulator.module.radio import FULL
from simulator.network.states import Registered

if TYPE_CHECKING:
    from simulator.messages.messages import Messages
    from simulator.module.module import Module
    from simulator.network.registration import Registration

# Name and largest value, in the order in which they are numbered from 1.
INDICATORS: Final = (("signal", 5), ("service", 1), ("roam", 1), ("message", 1), ("smsfull", 1))

# Five bars over the range of +CSQ, -113 to -51 dBm (common practice, no source).
_WEAKEST_DBM, _STEP_DB = -113.0, 12.4


class Indicators:
    """The indicators of one modem; `changed` announces (number, value) of each that moves."""

    def __init__(self, *, module: Module, registration: Registration, messages: Messages) -> None:
        self.changed: Announcement[tuple[int, int]] = Announcement()
        self._module, self._registration, self._messages = module, registration, messages
        self._seen = self.values()
        registration.changed.listen(lambda _: self._review())
        registration.air.changed.listen(lambda _: self._review())
        module.radio.changed.listen(lambda _: self._review())
        module.power.changed.listen(lambda _: self._review())
        messages.changed.listen(lambda _: self._review())

    def values(self) -> tuple[int, ...]:
        """The values now, in the order of `INDICATORS`."""
        registration = self._registration
        rssi_dbm = registration.rssi_dbm if self._module.radio.functionality == FULL else None
        bars = 0 if rssi_dbm is None else min(max(int((rssi_dbm - _WEAKEST_DBM) // _STEP_DB) + 1, 0), 5)
        return (
            bars,
            int(registration.is_registered),
            int(registration.state is Registered.ROAMING),
            int(self._messages.has_unread),
            int(self._messages.is_full),
        )

    def _review(self) -> None:
        before, self._seen = self._seen, self.values()
        for number, (old, new) in enumerate(zip(before, self._seen, strict=True), 1):
            if old != new:
                self.changed.announce((number, new))
