"""For people who write drivers: what each kind keeps, as classes of tests to inherit, and an instrument.

    from hil.testing import SupplyContract

    class TestMySupply(SupplyContract):
        @pytest.fixture
        def supply(self): ...

Each class says which fixtures it wants.
"""

from __future__ import annotations

from .attenuator_contract import AttenuatorContract
from .host_contract import HostContract
from .line_contract import LineContract
from .meter_contract import MeterContract
from .port_contract import PortContract
from .scpi_instrument import ScpiInstrument
from .sense_contract import SenseContract
from .supply_contract import SupplyContract
from .usb_contract import UsbContract

__all__ = [
    "AttenuatorContract",
    "HostContract",
    "LineContract",
    "MeterContract",
    "PortContract",
    "ScpiInstrument",
    "SenseContract",
    "SupplyContract",
    "UsbContract",
]
