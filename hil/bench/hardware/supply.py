"""The source and the rail of a hardware bench: set within limits, sampled by the meter as far as it sees."""

from __future__ import annotations

import threading
from collections import deque
from typing import TYPE_CHECKING, Final

from hil.bench.interface import Supply
from hil.errors import BenchUnfitError, PartMissingError

if TYPE_CHECKING:
    from hil.bench.drivers.contracts import SupplyDriver

    from .clock import WallClock
    from .events import Events
    from .gone import Gone
    from .station import Station

# Samples kept: an hour at ten a second.
_KEPT: Final = 36_000
# A rail that moves less than this is not worth an event.
_STEP_V: Final = 0.01


class HardwareSupply(Supply):
    """The source by its driver, the rail by the meter's; each may be missing."""

    def __init__(self, station: Station, *, clock: WallClock, events: Events, gone: Gone) -> None:
        self._station, self._clock, self._events, self._gone = station, clock, events, gone
        self._driver, self._meter = station.supply, station.meter
        self._permits = station.permits
        file = station.description.file
        self.nominal_v = file.supply.volts
        self._volts = file.supply.volts
        self._is_on = self._driver.is_on() if self._driver is not None else True
        self._samples: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        self._fault: BenchUnfitError | None = None
        self._ends = threading.Event()
        self._sampler: threading.Thread | None = None
        if self._meter is not None and file.meter is not None:
            events.record("supply/meter", "set", bandwidth_hz=file.meter.bandwidth_hz)
            self._every_s = file.meter.every_s
            self._sampler = threading.Thread(target=self._sample_on, name="meter", daemon=True)
            self._sampler.start()

    @property
    def is_nominal(self) -> bool:
        """Whether the source is on, at what the bench file says."""
        return self._is_on and self._volts == self.nominal_v

    def on(self) -> None:
        """Turn it on."""
        driver = self._source()
        if not self._is_on:
            self._permits.permit_supply_on()
            self._gone.did()
        driver.turn(on=True)
        self._is_on = True
        self._events.record("supply/source", "set", on=True, volts=self._volts)

    def off(self) -> None:
        """Turn it off; counts as a cut."""
        driver = self._source()
        if self._is_on:
            self._permits.permit_cut()
            self._gone.did()
        driver.turn(on=False)
        self._is_on = False
        self._events.record("supply/source", "set", on=False, volts=self._volts)

    def set_volts(self, volts: float) -> None:
        """Set its voltage, within `limits.max_volts`; below half of the nominal one counts as a cut."""
        driver = self._source()
        self._permits.permit_volts(volts)
        if volts < self.nominal_v / 2 <= self._volts and self._is_on:
            self._permits.permit_cut()
        if volts != self._volts:
            self._gone.did()
        driver.set_volts(volts)
        self._volts = volts
        self._events.record("supply/source", "set", on=self._is_on, volts=volts)

    def rail_volts(self) -> float:
        """The module's rail by the meter."""
        return self._sample()

    def lowest_rail_volts(self, *, within_s: float) -> float:
        """The lowest sample of the last *within_s* seconds: what is shorter than the meter sees is missed."""
        self._sample()
        since_s = self._clock.now_s() - within_s
        return min(volts for at_s, volts in list(self._samples) if at_s >= since_s)

    def check_sampler(self) -> None:
        """Raise what the meter has failed with meanwhile."""
        if self._fault is not None:
            raise self._fault

    def close(self) -> None:
        """Sample no longer."""
        self._ends.set()
        if self._sampler is not None:
            self._sampler.join()

    def _source(self) -> SupplyDriver:
        if self._driver is None:
            raise PartMissingError(part="supply", why="the bench file has no [drivers.supply]")
        return self._driver

    def _sample(self) -> float:
        if self._meter is None:
            raise PartMissingError(part="meter", why="the bench file has no [drivers.meter]")
        self.check_sampler()
        volts = self._meter.volts()
        before = self._samples[-1][1] if self._samples else None
        self._samples.append((self._clock.now_s(), volts))
        if before is None or abs(volts - before) >= _STEP_V:
            self._events.record("supply/rail", "volts", value=round(volts, 6), by="meter")
        return volts

    def _sample_on(self) -> None:
        while not self._ends.wait(self._every_s):
            try:
                self._sample()
            except BenchUnfitError as error:
                self._fault = error
                return
