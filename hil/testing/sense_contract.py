"""What every `SenseDriver` keeps."""

from __future__ import annotations

import time
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import SenseDriver


class SenseContract:
    """Inherit as `Test…`; provide `sense`, at a low level, and *move*: from then on it has that level."""

    def test_edges_come_in_order_with_levels_and_monotonic_times(
        self, sense: SenseDriver, move: Callable[[bool], None]
    ) -> None:
        began_ns = time.monotonic_ns()
        for level in (True, False, True):
            move(level)
        edges = sense.edges()
        ended_ns = time.monotonic_ns()

        assert [edge.level for edge in edges] == [True, False, True]
        times = [edge.t_ns for edge in edges]
        assert times == sorted(times)
        assert all(began_ns <= t_ns <= ended_ns for t_ns in times)

    def test_an_edge_is_told_once(self, sense: SenseDriver, move: Callable[[bool], None]) -> None:
        move(True)

        assert len(sense.edges()) == 1
        assert sense.edges() == []

    def test_the_level_is_that_of_now(self, sense: SenseDriver, move: Callable[[bool], None]) -> None:
        for level in (True, False):
            move(level)

            assert sense.level() is level

    def test_closing_may_be_done_twice(self, sense: SenseDriver) -> None:
        sense.close()
        sense.close()
