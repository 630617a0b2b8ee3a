"""Supply, meter and attenuator by SCPI: real PyVISA against an instrument on loopback, with its faults."""

from __future__ import annotations

import statistics
import time
from collections.abc import Callable, Iterator

import pytest

from hil.bench.drivers.scpi_attenuator import ScpiAttenuator, ScpiAttenuatorOptions
from hil.bench.drivers.scpi_meter import ScpiMeter, ScpiMeterOptions
from hil.bench.drivers.scpi_supply import ScpiSupply, ScpiSupplyOptions
from hil.errors import BenchUnfitError
from hil.testing import AttenuatorContract, MeterContract, ScpiInstrument, SupplyContract

TIMEOUT_S = 0.15


@pytest.fixture
def instrument() -> Iterator[ScpiInstrument]:
    """A supply with meter and attenuator on loopback."""
    with ScpiInstrument(most_volts=6.0) as found:
        yield found


@pytest.fixture
def break_it(instrument: ScpiInstrument) -> Callable[[], None]:
    return lambda: setattr(instrument, "fault", "silent")


@pytest.fixture(params=["nonsense", "half", "not a number", "binary"])
def babble(instrument: ScpiInstrument, request: pytest.FixtureRequest) -> Callable[[], None]:
    return lambda: setattr(instrument, "fault", request.param)


class TestSupply(SupplyContract):
    """The supply's contract."""

    @pytest.fixture
    def supply(self, instrument: ScpiInstrument) -> Iterator[ScpiSupply]:
        found = ScpiSupply(ScpiSupplyOptions(resource=instrument.resource, timeout_s=TIMEOUT_S), "supply")
        yield found
        found.close()

    @pytest.fixture
    def outside(self, instrument: ScpiInstrument) -> Callable[[], float]:
        return lambda: instrument.set_volts if instrument.is_on else 0.0

    @pytest.mark.parametrize(
        ("fault", "said"),
        [
            ("refuses", "error -200"),
            ("hangs up", "no answer to"),
            ("silent", "no answer to"),
        ],
    )
    def test_a_command_that_was_not_taken_is_told(
        self, supply: ScpiSupply, instrument: ScpiInstrument, fault: str, said: str
    ) -> None:
        instrument.fault = fault  # type: ignore[assignment] # one of its faults

        with pytest.raises(BenchUnfitError, match=said):
            supply.set_volts(4.0)

    def test_a_value_that_the_instrument_has_no_room_for_is_told(self, supply: ScpiSupply) -> None:
        with pytest.raises(BenchUnfitError, match="error -222"):
            supply.set_volts(7.0)

    def test_it_is_silent_for_no_longer_than_its_time(
        self, supply: ScpiSupply, instrument: ScpiInstrument
    ) -> None:
        instrument.fault = "silent"

        with pytest.raises(BenchUnfitError, match="supply"):
            supply.volts()

    def test_a_command_does_not_wait_for_its_acknowledgement(self, supply: ScpiSupply) -> None:
        took_s = []
        for volts in range(11):
            began_s = time.monotonic()
            supply.set_volts(volts / 4)
            took_s.append(time.monotonic() - began_s)

        # TCP's delayed acknowledgement takes 40 ms (Linux, include/net/tcp.h, from memory).
        assert statistics.median(took_s) < 0.03

    def test_words_and_channel_can_be_others(self, instrument: ScpiInstrument) -> None:
        options = ScpiSupplyOptions(
            resource=instrument.resource, channel=2, set_volts="VOLTAGE {value:.1f}", timeout_s=TIMEOUT_S
        )
        other = ScpiSupply(options, "supply")
        other.set_volts(3.3)
        other.close()

        assert "INST:NSEL 2;:VOLTAGE 3.3" in instrument.heard
        assert (instrument.channel, instrument.set_volts) == (2, 3.3)


class TestMeter(MeterContract):
    """The meter's contract."""

    @pytest.fixture
    def meter(self, instrument: ScpiInstrument) -> Iterator[ScpiMeter]:
        found = ScpiMeter(ScpiMeterOptions(resource=instrument.resource, timeout_s=TIMEOUT_S), "meter")
        yield found
        found.close()

    @pytest.fixture
    def apply(self, instrument: ScpiInstrument) -> Callable[[float], None]:
        return lambda volts: setattr(instrument, "rail_v", volts)


class TestAttenuator(AttenuatorContract):
    """The attenuator's contract."""

    @pytest.fixture
    def attenuator(self, instrument: ScpiInstrument) -> Iterator[ScpiAttenuator]:
        options = ScpiAttenuatorOptions(resource=instrument.resource, timeout_s=TIMEOUT_S)
        found = ScpiAttenuator(options, "attenuator")
        yield found
        found.close()

    @pytest.fixture
    def outside(self, instrument: ScpiInstrument) -> Callable[[], float]:
        return lambda: instrument.attenuation_db


def test_an_instrument_that_is_not_there_is_told_with_its_address() -> None:
    with ScpiInstrument() as gone:
        resource = gone.resource

    with pytest.raises(BenchUnfitError, match=r"supply: TCPIP0::.*(cannot be opened|no answer to)"):
        ScpiSupply(ScpiSupplyOptions(resource=resource, timeout_s=TIMEOUT_S), "supply")


def test_two_parts_at_one_instrument_share_its_session(instrument: ScpiInstrument) -> None:
    options = {"resource": instrument.resource, "timeout_s": TIMEOUT_S}
    supply = ScpiSupply(ScpiSupplyOptions(**options), "supply")  # type: ignore[arg-type] # a table
    meter = ScpiMeter(ScpiMeterOptions(**options), "meter")  # type: ignore[arg-type] # a table
    supply.close()
    instrument.rail_v = 3.9

    assert meter.volts() == pytest.approx(3.9)
    meter.close()
