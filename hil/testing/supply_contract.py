"""What every `SupplyDriver` keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import pytest

from .broken import tells_what_broke

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import SupplyDriver


class SupplyContract:
    """Inherit as `Test…`; provide `supply`, off and made with the part "supply", and:

    *outside*: the volts at its terminals; *break_it*: from then on it does not answer; *babble*: from then on
    it answers nonsense.
    """

    def test_making_one_moves_nothing(self, supply: SupplyDriver, outside: Callable[[], float]) -> None:
        supply.check()

        assert outside() == pytest.approx(0)
        assert not supply.is_on()

    def test_volts_are_there_once_it_is_on_and_gone_once_it_is_off(
        self, supply: SupplyDriver, outside: Callable[[], float]
    ) -> None:
        supply.set_limit(1.0)
        supply.set_volts(4.2)
        before = outside()
        supply.turn(on=True)
        on, told = outside(), supply.is_on()
        supply.turn(on=False)

        assert before == pytest.approx(0)
        assert told
        assert not supply.is_on()
        assert on == pytest.approx(4.2, abs=0.01)
        assert outside() == pytest.approx(0)

    def test_what_it_measures_is_what_is_there(
        self, supply: SupplyDriver, outside: Callable[[], float]
    ) -> None:
        supply.set_limit(1.0)
        supply.turn(on=True)
        for volts in (3.3, 5.0):
            supply.set_volts(volts)

            assert supply.volts() == pytest.approx(outside(), abs=0.01)
            assert supply.amps() >= 0

    def test_a_silent_supply_names_part_and_cure(
        self, supply: SupplyDriver, break_it: Callable[[], None]
    ) -> None:
        break_it()

        for action in _actions(supply):
            tells_what_broke(action, part="supply")
        supply.close()

    def test_nonsense_is_told_and_never_taken_for_a_number(
        self, supply: SupplyDriver, babble: Callable[[], None]
    ) -> None:
        babble()

        tells_what_broke(supply.volts, part="supply")
        tells_what_broke(supply.amps, part="supply")
        tells_what_broke(supply.is_on, part="supply")

    def test_closing_changes_nothing_and_may_be_done_twice(
        self, supply: SupplyDriver, outside: Callable[[], float]
    ) -> None:
        supply.set_volts(4.0)
        supply.turn(on=True)
        supply.close()
        supply.close()

        assert outside() == pytest.approx(4.0, abs=0.01)


def _actions(supply: SupplyDriver) -> list[Callable[[], Any]]:
    return [lambda: supply.set_volts(4.0), lambda: supply.turn(on=True), supply.volts]
