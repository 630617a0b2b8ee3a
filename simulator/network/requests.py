"""One request to a cell in; an answer, a refusal or silence out: and one wait at a time between them."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, NamedTuple

from simulator.kernel.timeline import SECOND_NS, ns

from .causes import TIMERS

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.timeline import Timeline, Wakeup

    from .air import Air, Cell
    from .connection import Connection

# The module transmits for a second at most in an attach: random access, security, accept (common practice, no
# source); and for as long in each attempt that nobody answers.
ATTACH_NS: Final = SECOND_NS
# A cell that does not hear the module: random access ends (T300, TS 36.331 7.3, a common value from memory).
_UNHEARD_NS: Final = SECOND_NS


class Outcomes(NamedTuple):
    """What is called: on an answer, on a refusal with its cause, on silence with why there was none."""

    answered: Callable[[], None]
    refused: Callable[[int], None]
    failed: Callable[[str], None]


class Requests:
    """The requests of one module; `wait` and `ask` end the wait before them."""

    def __init__(self, *, timeline: Timeline, air: Air, connection: Connection) -> None:
        self._timeline, self._air, self._connection = timeline, air, connection
        self._pending: Wakeup | None = None

    @property
    def is_waiting(self) -> bool:
        """Whether an outcome, or the end of a wait, is still to come."""
        return self._pending is not None

    def ask(self, cell: Cell, lasts_ns: int, outcomes: Outcomes) -> None:
        """Ask *cell* for something that takes so long where it is answered."""
        settings = cell.settings
        if not self._air.is_reached(cell):
            self._connection.use(cell, _UNHEARD_NS)
            self.wait(_UNHEARD_NS, lambda: outcomes.failed("not heard"))
        elif not settings.answers:
            self._connection.use(cell, ATTACH_NS)
            self.wait(ns(TIMERS[settings.technology].answer_s), lambda: outcomes.failed("no answer"))
        else:
            self._connection.use(cell, lasts_ns)
            cause = settings.deny_cause
            self.wait(lasts_ns, outcomes.answered if cause is None else lambda: outcomes.refused(cause))

    def wait(self, delay_ns: int, action: Callable[[], object]) -> None:
        """Do *action* so much later."""

        def act() -> None:
            self._pending = None
            action()

        self.cancel()
        self._pending = self._timeline.call_in(max(delay_ns, 0), act)

    def cancel(self) -> None:
        """Nothing is waited for any longer."""
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
