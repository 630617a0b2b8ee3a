"""Each cause of refusal: what the module does, what it shows, what it draws from the rail."""

from __future__ import annotations

from collections.abc import Callable
from typing import NamedTuple

import pytest

from simulator.kernel.timeline import ns
from simulator.model import Model
from simulator.network.causes import CAUSES, Action, action_of
from simulator.network.selection import Mode
from simulator.network.settings import CellSettings
from simulator.network.stat import Domain, stat_of
from simulator.network.states import Registered

Build = Callable[..., Model]

WATCHED_S = 900


class Outcome(NamedTuple):
    """What follows within `WATCHED_S` of the first attempt, and which cure it takes once the network relents.

    *attempts* in seconds from the first one's beginning; *stat* is that of the domain that was asked.
    """

    attempts: tuple[int, ...]
    stat: int
    cured_by: tuple[str, ...]


# An attempt takes a second here.  T3411 is 10 s, five attempts, then T3402 of 720 s (TS 24.301 5.5.1.2.6).
RETRIED = Outcome((0, 11, 22, 33, 44, 765, 776, 787, 798, 809), 2, ("time", "radio", "restart", "card"))
# The attempt counter is set to its largest value at once (the same clause, case d, from memory).
RETRIED_LATE = Outcome((0, 721), 2, ("time", "radio", "restart", "card"))
# TS 24.301 5.5.1.2.5: until switched off, or the UICC is removed.
FOR_GOOD = Outcome((0,), 3, ("restart", "card"))
UNTIL_OFF_OR_BY_HAND = Outcome((0,), 3, ("restart", "card", "by hand"))
# The card's list of forbidden PLMNs outlives both; a choice by hand takes the PLMN off it (TS 23.122 3.1).
ON_THE_CARD = Outcome((0,), 3, ("by hand",))

OUTCOMES = {
    2: RETRIED,  # matters in the combined attach only
    3: FOR_GOOD,
    5: RETRIED,  # concerns attach for emergency bearers only
    6: FOR_GOOD,
    7: FOR_GOOD,
    8: FOR_GOOD,
    9: RETRIED,
    10: RETRIED,
    11: ON_THE_CARD,
    12: FOR_GOOD,
    13: FOR_GOOD,
    14: UNTIL_OFF_OR_BY_HAND,
    15: FOR_GOOD,
    16: RETRIED,
    17: RETRIED,
    18: RETRIED,
    19: RETRIED,
    20: RETRIED,
    21: RETRIED,
    22: RETRIED,  # without a T3346 from the network
    23: RETRIED,
    24: RETRIED,
    25: RETRIED,  # from a cell that is no CSG cell
    26: RETRIED,
    31: RETRIED,
    35: ON_THE_CARD,
    39: RETRIED,
    40: RETRIED,
    42: RETRIED,
    78: RETRIED,
    95: RETRIED_LATE,
    96: RETRIED_LATE,
    97: RETRIED_LATE,
    98: RETRIED,
    99: RETRIED_LATE,
    100: RETRIED,
    101: RETRIED,
    111: RETRIED_LATE,
}


class Watched:
    """A module that meets a cell which refuses."""

    def __init__(self, build: Build, **network: object) -> None:
        self.model = build(
            start={"module": "ready"}, network=network, card={"pin": "1234", "pin_enabled": False}
        )
        self.asked_ns: list[int] = []
        self.bursts: list[tuple[int, bool]] = []
        self.model.registration.changed.listen(self._note)
        self.model.module.consumption.changed.listen(
            lambda demand: self.bursts.append((self.now_ns, demand.label.startswith("transmit")))
        )
        while not self.asked_ns:
            self.later(0.1)
        self.until(self.asked_ns[0] + ns(WATCHED_S))

    @property
    def now_ns(self) -> int:
        return self.model.timeline.now_ns

    def later(self, seconds: float) -> None:
        self.until(self.now_ns + ns(seconds))

    def until(self, at_ns: int) -> None:
        self.model.timeline.run_until(at_ns)

    def _note(self, _: None) -> None:
        if self.model.registration.state is Registered.ATTACHING:
            self.asked_ns.append(self.now_ns)

    @property
    def attempts(self) -> list[float]:
        return [(at_ns - self.asked_ns[0]) / 1e9 for at_ns in self.asked_ns]

    @property
    def sent(self) -> list[tuple[float, float]]:
        """Begin and length of each transmission, in seconds from the first attempt."""
        found, began_ns = [], None
        for at_ns, transmits in self.bursts:
            if transmits and began_ns is None:
                began_ns = at_ns
            elif not transmits and began_ns is not None:
                found.append(((began_ns - self.asked_ns[0]) / 1e9, (at_ns - began_ns) / 1e9))
                began_ns = None
        return found

    def cure(self, how: str) -> None:
        model = self.model
        match how:
            case "time":
                self.later(800)
            case "radio":
                model.module.radio.request(4)
                model.module.radio.request(1)
            case "restart":
                model.module.power.restart("test")
            case "card":
                model.card.move(present=False)
                model.card.move(present=True)
            case "by hand":
                model.registration.choose(Mode.MANUAL, "00101")
        self.later(60)


def test_every_cause_has_its_outcome() -> None:
    assert OUTCOMES.keys() == CAUSES.keys()


@pytest.mark.parametrize("cause", OUTCOMES, ids=lambda cause: f"{cause} {CAUSES[cause].text}")
def test_the_module_does_shows_and_draws_what_the_cause_asks_for(build: Build, cause: int) -> None:
    outcome = OUTCOMES[cause]
    seen = Watched(build, deny_cause=cause)

    assert seen.attempts == list(outcome.attempts)
    assert stat_of(seen.model.registration, Domain.EPS) == outcome.stat
    assert seen.model.registration.reject_cause == cause
    # Each attempt is a second of bursts on the rail; between them and after them there is silence.
    assert seen.sent == [(float(at), 1.0) for at in outcome.attempts]


CURES = [
    (cause, how) for cause in (2, 3, 7, 11, 12, 14, 35, 111) for how in ("time", "radio", "restart", "card")
]


@pytest.mark.parametrize(("cause", "how"), [*CURES, (11, "by hand"), (14, "by hand"), (35, "by hand")])
def test_what_ends_the_refusal_is_what_the_standard_says(build: Build, cause: int, how: str) -> None:
    seen = Watched(build, deny_cause=cause)
    seen.model.air.move(deny_cause=None)
    seen.cure(how)

    expected = how in OUTCOMES[cause].cured_by
    assert seen.model.registration.is_registered is expected


def test_congestion_with_a_timer_waits_for_it(build: Build) -> None:
    # TS 24.301 5.5.1.2.5, cause 22 with T3346.
    seen = Watched(build, deny_cause=22, back_off_s=600.0)

    assert seen.attempts == [0, 601]


def test_a_closed_group_refuses_its_own_cell_for_good(build: Build) -> None:
    # TS 24.301 5.5.1.2.5, cause 25 from a CSG cell.
    seen = Watched(build, deny_cause=25, closed_group=True)

    assert seen.attempts == [0]
    assert stat_of(seen.model.registration, Domain.EPS) == 3


def test_in_2g_an_unknown_subscriber_makes_the_card_invalid(build: Build) -> None:
    # TS 24.008 4.4.4.7 (from memory).
    seen = Watched(build, deny_cause=2, technology="2g")

    assert seen.attempts == [0]
    assert stat_of(seen.model.registration, Domain.CIRCUIT) == 3


def test_a_cause_that_the_standard_does_not_know_is_an_abnormal_case() -> None:
    assert action_of(200, CellSettings()) is Action.RETRY


def test_the_long_wait_is_the_network_s(build: Build) -> None:
    seen = Watched(build, deny_cause=17, t3402_s=100.0)
    waits = [later - before for before, later in zip(seen.attempts, seen.attempts[1:], strict=False)]

    assert set(waits) == {11.0, 101.0}
