"""Whose fault it is that a port went away: the module's, the bench's, or nobody can tell.

A module that was stopped, reset or cut goes by what the suite did, and one that comes back has restarted by
itself.  One that stays away is looked at from the other side: does it still draw current?
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from hil.errors import BenchUndecidedError, BenchUnfitError, PortGoneError

if TYPE_CHECKING:
    from simulator.module.profile import Profile

    from .clock import WallClock
    from .health import HardwareHealth
    from .station import Station

# A module that is on draws many times what one draws that is off.
_ON_FACTOR: Final = 10.0
_LOOK_S: Final = 0.1
_GRACE_S: Final = 2.0


class Gone:
    """Tells why; `did` is called whenever the suite does what may take the module off its ports."""

    def __init__(self, station: Station, *, clock: WallClock, health: HardwareHealth) -> None:
        self._station, self._clock, self._health = station, clock, health
        self._profile: Profile = station.description.profile
        self._did_at_s: float | None = None
        self.has_done = False
        self._judged: set[str] = set()

    def did(self) -> None:
        """The suite has pressed the key, cut or changed the supply, reset the device, or told it to stop."""
        self._did_at_s = self._clock.now_s()
        self.has_done = True

    def saw_come(self) -> None:
        """A port came: what was done before has had its effect."""
        self._did_at_s = None

    def saw_gone(self, role: str) -> None:
        """A port went."""
        self._judged.discard(role)

    def why(self, role: str, node: str) -> Exception:
        """The error for whoever holds the port."""
        driver = self._station.ports[role]
        gone = PortGoneError(role=role, node=node)
        if not driver.is_module_s_own:
            return BenchUnfitError(
                part=f"port {role}", reason=f"{node} went away", cure="plug its adaptor in again"
            )
        try:
            self._health.check_parts()
        except BenchUnfitError as error:
            return error
        if self._was_caused() or role in self._judged:
            return gone
        self._judged.add(role)
        return gone if self._comes_back(role) else self._stays_away(role, node, gone)

    def _was_caused(self) -> bool:
        delays = self._profile.delays
        reset_s = self._profile.key.reset_s.relied_on if self._profile.key.reset_s else 0.0
        window_s = delays.stop_s.relied_on + reset_s + _GRACE_S
        return self._did_at_s is not None and self._clock.now_s() - self._did_at_s < window_s

    def _comes_back(self, role: str) -> bool:
        """Whether the port is back within the time of a boot: then the module restarted by itself."""
        driver = self._station.ports[role]
        until_s = self._clock.now_s() + self._profile.delays.usb_appears_s.relied_on + _GRACE_S
        while self._clock.now_s() < until_s:
            if driver.node() is not None:
                return True
            self._clock.wait(_LOOK_S)
        return False

    def _stays_away(self, role: str, node: str, gone: PortGoneError) -> Exception:
        supply = self._station.supply
        if supply is None:
            return BenchUndecidedError(
                reason=f"port {role} ({node}) went away and did not come back, and no supply tells whether "
                "the module still runs: look at its cable"
            )
        if supply.amps() > _ON_FACTOR * max(self._profile.currents.off_a, 1e-4):
            return BenchUnfitError(
                part=f"port {role}",
                reason=f"{node} went away and the module still draws current",
                cure="plug its cable in again",
            )
        return gone
