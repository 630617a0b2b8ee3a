"""What one bench allows in, yes or GuardRefusedError out: numbers, card, transmission, supply, budgets.

The only place that decides; port, header and supply ask here.  Every action is recorded, every refusal names
guard and reason.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING, Final, NoReturn

from hil.errors import GuardRefusedError

from .numbers import is_emergency

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping, Sequence

    from simulator.kernel.recorder import Value

    from .ledger import Ledger
    from .rules import Ask

    Note = Callable[..., None]

# A card is never left with less than this many tries by an entry (design: at least two are known to be left).
_TRIES_NEEDED: Final = 2
_DAILY: Final = {"call": "calls", "message": "messages", "attach": "attaches"}


class Permits:
    """One run's permits on one bench.

    *numbers* may be called and written to; *antenna* is what the bench file states, or None; *budgets* are
    the daily ones by name; *ledger* keeps them across runs.
    """

    def __init__(
        self,
        *,
        numbers: Collection[str],
        antenna: str | None,
        budgets: Mapping[str, int],
        ledger: Ledger,
        max_volts: float | None = None,
    ) -> None:
        self._numbers, self._antenna, self._budgets = frozenset(numbers), antenna, budgets
        self._ledger, self._max_volts = ledger, max_volts
        self._tries: int | None = None
        self._has_entered = False
        self.note: Note = _no_note
        # Called where the module may leave its ports for a command that has passed.
        self.leaves: Callable[[], None] = lambda: None

    # -- refusing and recording -------------------------------------------------------------

    def refuse(self, guard: str, action: str, reason: str, cure: str = "") -> NoReturn:
        """Record and raise."""
        self.note(f"guard/{guard}", "refused", action=action, reason=reason)
        raise GuardRefusedError(guard=guard, action=action, reason=reason, cure=cure)

    def _did(self, guard: str, action: str, **more: Value) -> None:
        self.note(f"guard/{guard}", "allowed", action=action, **more)

    # -- what a command line asks -----------------------------------------------------------

    def permit(self, asks: Sequence[Ask], *, spend: bool) -> None:
        """Return where all of *asks* are allowed together; with *spend* they count from now on."""
        counts: Counter[str] = Counter()
        pins = 0
        for ask in asks:
            if ask.kind == "never":
                self.refuse(ask.guard, "a command", ask.reason, ask.cure)
            elif ask.kind in ("call", "message"):
                self._check_number(ask)
                self._check_transmission(f"a {ask.kind}")
                counts[_DAILY[ask.kind]] += 1
            elif ask.kind == "attach":
                counts["attaches"] += 1
            elif ask.kind == "transmit":
                self._check_transmission("a command that makes the module transmit")
            elif ask.kind == "pin":
                pins += 1
        self._check_budgets(counts)
        self._check_pins(pins)
        if spend:
            self._spend(counts, pins)
            if any(ask.kind == "leave" for ask in asks):
                self.leaves()

    def _spend(self, counts: Counter[str], pins: int) -> None:
        for budget, count in counts.items():
            self._count(budget, count)
        if pins:
            self._has_entered = True
            if self._tries is not None:
                self._tries -= pins
            self._ledger.set_doubt(True)
            self._did("card", "PIN entered", tries_known=self._tries)

    def _check_number(self, ask: Ask) -> None:
        action = f"a {ask.kind} to {ask.number or 'nobody'}"
        if is_emergency(ask.number):
            self.refuse("emergency", action, "emergency numbers are never called or written to")
        if ask.number not in self._numbers:
            listed = ", ".join(sorted(self._numbers)) or "none"
            self.refuse("numbers", action, f"limits.numbers lists {listed}", "list it in the bench file")

    def _check_transmission(self, action: str) -> None:
        if self._antenna is None:
            self.refuse(
                "antenna",
                action,
                "the bench file does not say what the antenna connector ends in",
                'connect an antenna or a 50 ohm load, then state it: [transmit] antenna = "load"',
            )

    # -- the card ---------------------------------------------------------------------------

    def tries_are(self, tries: int) -> None:
        """The card says how many PIN entries are left."""
        self._tries = tries

    def pin_was_right(self) -> None:
        """The last entry was accepted: the card's counter is full again."""
        self._tries = None
        self._has_entered = False
        self._ledger.set_doubt(False)

    def _check_pins(self, count: int) -> None:
        ask_first = "send AT+CPINR first: an entry needs at least two tries left"
        if not count:
            return
        if self._tries is not None:
            if self._tries - count + 1 < _TRIES_NEEDED:
                self.refuse("card", "a PIN entry", f"the card has {self._tries} tries left", ask_first)
            return
        if count > 1 or self._has_entered:
            self.refuse("card", "a PIN entry", "one was entered in this run; tries left unknown", ask_first)
        if self._ledger.is_in_doubt:
            self.refuse(
                "card", "a PIN entry", "an earlier entry was not accepted; tries left unknown", ask_first
            )

    # -- header and supply ------------------------------------------------------------------

    def permit_press(self) -> None:
        """A press of the power key, which may start the module, and so make it transmit."""
        self._check_transmission("a press of the power key")
        self._check_budgets(Counter(presses=1))
        self._count("presses", 1)

    def permit_radio_on(self) -> None:
        """The radio-disable line is let go: the module may attach."""
        self._check_transmission("letting go of the radio-disable line")
        self._check_budgets(Counter(attaches=1))
        self._count("attaches", 1)

    def permit_supply_on(self) -> None:
        """The supply comes on; a module may start with it."""
        self._check_transmission("turning the supply on")
        self._did("supply", "on")

    def permit_cut(self) -> None:
        """The supply is cut."""
        self._check_budgets(Counter(cuts=1))
        self._count("cuts", 1)

    def permit_volts(self, volts: float) -> None:
        """The supply is set to *volts*."""
        if self._max_volts is None or not 0 <= volts <= self._max_volts:
            limit = "no limit" if self._max_volts is None else f"0 to {self._max_volts:g} V"
            self.refuse("supply", f"{volts:g} V", f"the bench file allows {limit}", "see limits.max_volts")
        self._did("supply", "volts", value=volts)

    # -- budgets ----------------------------------------------------------------------------

    def _check_budgets(self, counts: Counter[str]) -> None:
        for budget, count in counts.items():
            used, allowed = self._ledger.used(budget), self._budgets[budget]
            if used + count > allowed:
                self.refuse(
                    "budget",
                    f"{budget} today: {used} of {allowed} are used",
                    "a day's budget is kept across runs",
                    f"wait until tomorrow, or raise limits.{budget}_a_day",
                )

    def budgets(self) -> list[tuple[str, int, int]]:
        """Each budget: its name, how much of it is used today, and how much is allowed."""
        return [(name, self._ledger.used(name), allowed) for name, allowed in self._budgets.items()]

    def _count(self, budget: str, count: int) -> None:
        used = self._ledger.use(budget, count)
        self._did("budget", budget, used=used, allowed=self._budgets[budget])


def _no_note(lane: str, what: str, /, **more: Value) -> None:
    """Before a run has a recording."""
    del lane, what, more
