"""What every `LineDriver` keeps."""

from __future__ import annotations

from typing import TYPE_CHECKING

from .broken import tells_what_broke

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.bench.drivers.contracts import LineDriver


class LineContract:
    """Inherit as `Test…`; provide `line`, a driver made with the part "header pin 16", and:

    *outside*: the level that whoever measures the pin sees, None while nobody drives it;
    *break_it*: from then on the part is broken.  *floats* False is for lines that are always driven.
    """

    floats = True

    def test_nothing_is_driven_before_the_first_drive(
        self, line: LineDriver, outside: Callable[[], bool | None]
    ) -> None:
        line.read()
        line.check()

        assert outside() is (None if self.floats else self.rest_level(line))

    def test_what_is_driven_is_seen_outside_and_read_back(
        self, line: LineDriver, outside: Callable[[], bool | None]
    ) -> None:
        for level in (True, False, True, True, False):
            line.drive(level)

            assert outside() is level
            assert line.read() is level

    def test_a_released_line_is_an_input(self, line: LineDriver, outside: Callable[[], bool | None]) -> None:
        for level in (True, False):
            line.drive(level)
            line.release()
            line.release()

            assert outside() is (None if self.floats else self.rest_level(line))

    def test_a_check_moves_nothing_and_says_something(
        self, line: LineDriver, outside: Callable[[], bool | None]
    ) -> None:
        line.drive(True)

        assert line.check()
        assert outside() is True

    def test_closing_lets_go_and_may_be_done_twice(
        self, line: LineDriver, outside: Callable[[], bool | None]
    ) -> None:
        line.drive(True)
        line.close()
        line.close()

        assert outside() is (None if self.floats else self.rest_level(line))

    def test_a_broken_line_names_part_and_cure(self, line: LineDriver, break_it: Callable[[], None]) -> None:
        line.drive(False)
        break_it()

        tells_what_broke(lambda: line.drive(True), part="header pin 16")
        tells_what_broke(line.read, part="header pin 16")
        line.close()

    def rest_level(self, line: LineDriver) -> bool:
        """For lines that are always driven: the level at rest."""
        raise NotImplementedError(line)
