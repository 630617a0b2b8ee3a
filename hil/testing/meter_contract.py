"""What every `MeterDriver` keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from .broken import tells_what_broke

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import MeterDriver


class MeterContract:
    """Inherit as `Test…`; provide `meter`, made with the part "meter", and:

    *apply*: from then on there are so many volts; *break_it* and *babble* as for a supply.
    """

    def test_it_measures_what_is_there(self, meter: MeterDriver, apply: Callable[[float], None]) -> None:
        for volts in (0.0, 3.9, 3.1):
            apply(volts)

            assert meter.volts() == pytest.approx(volts, abs=0.01)

    def test_a_silent_meter_names_part_and_cure(
        self, meter: MeterDriver, break_it: Callable[[], None]
    ) -> None:
        break_it()

        tells_what_broke(meter.volts, part="meter")

    def test_nonsense_is_told_and_never_taken_for_a_number(
        self, meter: MeterDriver, babble: Callable[[], None]
    ) -> None:
        babble()

        tells_what_broke(meter.volts, part="meter")

    def test_closing_may_be_done_twice(self, meter: MeterDriver) -> None:
        assert meter.check()
        meter.close()
        meter.close()
