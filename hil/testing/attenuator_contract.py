"""What every `AttenuatorDriver` keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from .broken import tells_what_broke

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import AttenuatorDriver


class AttenuatorContract:
    """Inherit as `Test…`; provide `attenuator`, made with the part "attenuator", and:

    *outside*: the attenuation in dB; *break_it* as for a supply.
    """

    def test_it_is_set(self, attenuator: AttenuatorDriver, outside: Callable[[], float]) -> None:
        for attenuation_db in (0.0, 30.5, 90.0):
            attenuator.set_db(attenuation_db)

            assert outside() == pytest.approx(attenuation_db, abs=0.1)

    def test_a_silent_attenuator_names_part_and_cure(
        self, attenuator: AttenuatorDriver, break_it: Callable[[], None]
    ) -> None:
        break_it()

        tells_what_broke(lambda: attenuator.set_db(10), part="attenuator")

    def test_closing_may_be_done_twice(self, attenuator: AttenuatorDriver) -> None:
        assert attenuator.check()
        attenuator.close()
        attenuator.close()
