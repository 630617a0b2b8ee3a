"""Whether a silence is the bench's fault: are its parts there, and has the module power."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from hil.bench.interface import Health
from hil.errors import BenchUndecidedError, BenchUnfitError
from hil.lateness import HOPELESS_S

if TYPE_CHECKING:
    from .clock import WallClock
    from .station import Station
    from .supply import HardwareSupply

# A supply's own reading may differ so much from what it was set to.
_OFF_BY: Final = 0.1


class HardwareHealth(Health):
    """Looks, and moves nothing."""

    def __init__(self, station: Station, *, clock: WallClock) -> None:
        self._station, self._clock = station, clock
        self.supply: HardwareSupply | None = None

    def check(self) -> None:
        """Return where the bench is fit; raises BenchUnfitError or BenchUndecidedError."""
        self.check_parts()
        late_s = self._clock.late_s()
        if late_s > HOPELESS_S:
            raise BenchUndecidedError(reason=f"the machine ran {late_s:.1f} s late")
        self._check_power()

    def check_parts(self) -> None:
        """Every part but the ports, which may be away because the module is."""
        for name, driver in self._station.drivers().items():
            if not name.startswith("port "):
                driver.check()
        if self.supply is not None:
            self.supply.check_sampler()

    def _check_power(self) -> None:
        supply, driver = self.supply, self._station.supply
        if supply is None or (driver is None and self._station.meter is None):
            raise BenchUndecidedError(
                reason="no supply and no meter tells whether the module has power: look at it yourself"
            )
        if not supply.is_nominal:
            return  # the suite has it so
        if self._station.meter is not None:
            needs, rail_v = self._station.description.profile.supply, self._station.meter.volts()
            if not needs.lockout_v <= rail_v <= needs.max_v * (1 + _OFF_BY):
                raise BenchUnfitError(
                    part="meter",
                    reason=f"the module's rail is {rail_v:.2f} V",
                    cure=f"look at supply and cable: it should be {needs.min_v:g} to {needs.max_v:g} V",
                )
        elif driver is not None:
            volts = driver.volts()
            if not driver.is_on() or abs(volts - supply.nominal_v) > _OFF_BY * supply.nominal_v:
                raise BenchUnfitError(
                    part="supply",
                    reason=f"its output is {volts:.2f} V instead of {supply.nominal_v:g} V",
                    cure="look at its current limit and its leads",
                )
