"""A test on hardware begins as one on a simulated bench does: in the state that the bench file says."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.modem import Modem

from .bench import HardwareBench

if TYPE_CHECKING:
    from .station import Station


def bring_to_start(station: Station) -> str | None:
    """The supply at what the file says and on, the radios let, and the module off, or freshly ready.

    The state that it is in then; None for a module that the bench has no key for: it is taken as it is.
    Raises NotReachedError where it does not come.
    """
    bench = HardwareBench(station)
    try:
        start = station.description.file.start
        if "supply" in bench.parts and start.supply == "on":
            bench.supply.set_volts(bench.supply.nominal_v)
            bench.supply.on()
        if "surroundings:network" in bench.parts:
            bench.surroundings.move("network", rsrp_dbm=station.description.file.network.rsrp_dbm)
        if "header:radio_disable" in bench.parts:
            bench.header["radio_disable"].set_active(False)
        if "header:power_key" not in bench.parts or "port:at" not in bench.parts:
            return None
        bench.header["power_key"].set_active(False)
        modem = Modem(bench)
        modem.make_off()
        if start.module == "ready":
            modem.start()
        modem.close()
        return "ready" if start.module == "ready" else "off"
    finally:
        bench.close()
