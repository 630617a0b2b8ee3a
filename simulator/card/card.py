"""PIN and PUK entries in, the card's state out.

Three wrong PINs block the PIN, ten wrong PUKs the card (3GPP TS 31.101, from memory).  The card keeps
its counters and its lists when the module loses power, and when it is pulled and put back.
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement
from simulator.kernel.machine import StateMachine
from simulator.kernel.timeline import ns
from simulator.module.power import Power

from .settings import PIN_TRIES, PUK_TRIES, UNLOCK_TRIES, CardMove, CardSettings

if TYPE_CHECKING:
    from simulator.kernel.machine import Change
    from simulator.kernel.recorder import Value
    from simulator.kernel.timeline import Wakeup
    from simulator.module.module import Module


class CardState(Enum):
    """What the card waits for, in the words of the recording."""

    ABSENT = "absent"
    UNPOWERED = "unpowered"
    BUSY = "busy"
    PIN = "PIN"
    VERIFYING = "verifying"
    READY = "ready"
    PUK = "PUK"
    BLOCKED = "blocked"
    LOCKED = "locked to a network"
    LOST = "no contact"


_POWERED = (
    CardState.BUSY,
    CardState.PIN,
    CardState.VERIFYING,
    CardState.READY,
    CardState.PUK,
    CardState.BLOCKED,
    CardState.LOCKED,
)

TRANSITIONS: Final = (
    ("powered", CardState.UNPOWERED, CardState.BUSY),
    ("needs_pin", CardState.BUSY, CardState.PIN),
    ("needs_puk", CardState.BUSY, CardState.PUK),
    ("needs_nothing", CardState.BUSY, CardState.READY),
    ("found_blocked", CardState.BUSY, CardState.BLOCKED),
    ("pin_right", CardState.PIN, CardState.VERIFYING),
    ("pin_blocked", CardState.PIN, CardState.PUK),
    ("puk_right", CardState.PUK, CardState.VERIFYING),
    ("puk_blocked", CardState.PUK, CardState.BLOCKED),
    ("pin_blocked", CardState.READY, CardState.PUK),
    ("accepted", CardState.VERIFYING, CardState.READY),
    ("found_locked", CardState.BUSY, CardState.LOCKED),
    ("found_locked", CardState.VERIFYING, CardState.LOCKED),
    ("unlocked", CardState.LOCKED, CardState.READY),
    *(("contact_lost", state, CardState.LOST) for state in _POWERED),
    ("contact_back", CardState.LOST, CardState.BUSY),
    *(("unpowered", state, CardState.UNPOWERED) for state in (*_POWERED, CardState.LOST)),
    *(("removed", state, CardState.ABSENT) for state in (*_POWERED, CardState.LOST, CardState.UNPOWERED)),
    ("inserted", CardState.ABSENT, CardState.UNPOWERED),
)


class CardStateError(ValueError):
    """A PIN or PUK was entered while the card waits for something else."""

    def __init__(self, *, entered: str, state: CardState) -> None:
        self.entered, self.state = entered, state
        super().__init__(f"{entered} entered while the card is {state.value}")


class Card:
    """One card, or the empty slot where *settings* is None; *present* tells whether it lies in the slot.

    `forbidden_plmns` and `preferred_plmns` are lists on the card (3GPP TS 31.102 4.2.16 and 4.2.5).
    """

    def __init__(self, *, settings: CardSettings | None, module: Module) -> None:
        self.settings = settings
        self.pin_tries = settings.pin_tries if settings else 0
        self.puk_tries = settings.puk_tries if settings else 0
        self.unlock_tries = UNLOCK_TRIES
        self.forbidden_plmns: list[str] = list(settings.forbidden_plmns) if settings else []
        self.preferred_plmns: list[str] = list(settings.preferred_plmns) if settings else []
        self._pin = settings.pin if settings else None
        self.asks_for_pin = self._pin is not None and settings is not None and settings.pin_enabled
        self._is_locked = bool(settings and module.profile.locked_to) and not self._fits(module)
        self.lists_changed: Announcement[None] = Announcement()
        self._module = module
        self._pending: Wakeup | None = None
        self._contact: Wakeup | None = None
        self._lies_in_slot = settings is not None and settings.present
        self._machine: StateMachine[CardState] = StateMachine(
            lane="module/card",
            table=TRANSITIONS,
            initial=CardState.UNPOWERED if self._lies_in_slot else CardState.ABSENT,
            recorder=module.recorder,
        )
        module.power.changed.listen(self._on_power)
        self._expect_trouble()

    @property
    def state(self) -> CardState:
        """What the card waits for."""
        return self._machine.state

    @property
    def changed(self) -> Announcement[Change[CardState]]:
        """Announces each change of state."""
        return self._machine.changed

    @property
    def imsi(self) -> str:
        """The subscriber's identity; empty without a card."""
        return self.settings.imsi if self.settings else ""

    @property
    def iccid(self) -> str:
        """The card's number; empty without a card."""
        return self.settings.iccid if self.settings else ""

    @property
    def is_present(self) -> bool:
        """Whether a card lies in the slot."""
        return self._lies_in_slot

    @property
    def is_open(self) -> bool:
        """Whether its PIN has been entered, or it asks for none."""
        return self.state in (CardState.READY, CardState.LOCKED)

    # -- what the user enters ----------------------------------------------------

    def enter_pin(self, pin: str) -> bool:
        """Try *pin*: True where it is right; a wrong one costs a try.

        Raises CardStateError where no PIN is awaited; nothing is tried then.
        """
        if self.state is not CardState.PIN:
            raise CardStateError(entered="PIN", state=self.state)
        if self._try_pin(pin):
            self._verify("pin_right")
            return True
        return False

    def enter_puk(self, puk: str, new_pin: str) -> bool:
        """Try *puk*: True where it is right, and *new_pin* is the PIN from then on.

        Raises CardStateError where no PUK is awaited; nothing is tried then.
        """
        if self.state is not CardState.PUK or self.settings is None:
            raise CardStateError(entered="PUK", state=self.state)
        if puk == self.settings.puk:
            self._pin, self.pin_tries, self.puk_tries = new_pin, PIN_TRIES, PUK_TRIES
            self.asks_for_pin = True
            self._verify("puk_right")
            return True
        self.puk_tries -= 1
        self._module.recorder.record("module/card", "wrong_puk", tries_left=self.puk_tries)
        if self.puk_tries == 0:
            self._machine.happen("puk_blocked")
        return False

    def enter_unlock_code(self, code: str) -> bool:
        """Try the code that ends the module's lock to a network; a wrong one costs a try, the last for good.

        Raises CardStateError where no such code is awaited.
        """
        if self.state is not CardState.LOCKED or self.unlock_tries == 0:
            raise CardStateError(entered="unlock code", state=self.state)
        if code == self._module.profile.unlock_code:
            self.unlock_tries = UNLOCK_TRIES
            self._is_locked = False
            self._machine.happen("unlocked", "code")
            return True
        self.unlock_tries -= 1
        self._module.recorder.record("module/card", "wrong_unlock_code", tries_left=self.unlock_tries)
        return False

    def ask_for_pin(self, pin: str, *, wanted: bool) -> bool:
        """Have the card ask for its PIN from now on, or no longer: True where *pin* is right.

        Raises CardStateError unless the card is ready and has a PIN; nothing is tried then.
        """
        self._needs_ready()
        if not self._try_pin(pin):
            return False
        self.asks_for_pin = wanted
        return True

    def change_pin(self, pin: str, new_pin: str) -> bool:
        """Change the PIN: True where the old one is right.

        Raises CardStateError unless the card is ready and asks for its PIN; nothing is tried then.
        """
        self._needs_ready()
        if not self.asks_for_pin:
            raise CardStateError(entered="PIN", state=self.state)
        if not self._try_pin(pin):
            return False
        self._pin = new_pin
        return True

    def _needs_ready(self) -> None:
        if self.state is not CardState.READY or self._pin is None:
            raise CardStateError(entered="PIN", state=self.state)

    def _try_pin(self, pin: str) -> bool:
        if pin == self._pin:
            self.pin_tries = PIN_TRIES
            return True
        self.pin_tries -= 1
        self._module.recorder.record("module/card", "wrong_pin", tries_left=self.pin_tries)
        if self.pin_tries == 0:
            self._machine.happen("pin_blocked")
        return False

    # -- the card's lists ----------------------------------------------------------

    def forbid(self, plmn: str) -> None:
        """Put *plmn* first on the list of forbidden ones; the list holds a few, the oldest goes."""
        if self.settings is not None and plmn not in self.forbidden_plmns:
            self.forbidden_plmns = [plmn, *self.forbidden_plmns][: self.settings.forbidden_places]
            self._module.recorder.record("module/card", "forbidden", plmn=plmn)

    def allow(self, plmn: str) -> None:
        """Take *plmn* off that list."""
        if plmn in self.forbidden_plmns:
            self.forbidden_plmns.remove(plmn)
            self._module.recorder.record("module/card", "allowed", plmn=plmn)

    # -- the slot -------------------------------------------------------------------

    def move(self, **moved: Value) -> None:
        """Change what lies in the slot, and how well it makes contact.

        Raises pydantic.ValidationError for what is not allowed, and ValueError where the bench has no card.
        """
        if self.settings is None:
            raise ValueError("the bench file has no [card] that could be put in")
        CardMove.model_validate(moved)
        before = self.settings
        self.settings = CardSettings.model_validate({**before.model_dump(), **moved})
        self._module.recorder.record("surroundings/card", "set", **moved)
        if self.settings.present != before.present:
            self._put(in_slot=self.settings.present)
        if self.settings.lost_every_s != before.lost_every_s:
            self._expect_trouble()

    def make_initialised(self) -> None:
        """Skip the card's start: it waits for its PIN, or is ready (the bench starts in this state)."""
        self._cancel()
        if self.state is CardState.UNPOWERED:
            self._machine.happen("powered")
        if self.state is CardState.BUSY:
            self._initialised()

    def _put(self, *, in_slot: bool) -> None:
        self._lies_in_slot = in_slot
        self._cancel()
        if not in_slot:
            self._machine.happen("removed", "slot")
        elif not self._module.profile.quirks.card_seen_at_boot_only:
            self._machine.happen("inserted", "slot")
            if self._module.power.is_running:
                self._machine.happen("powered", "slot")
                self._start()

    def _expect_trouble(self) -> None:
        """The next loss of contact, where the card makes it badly: at times that chance gives."""
        if self._contact is not None:
            self._contact.cancel()
            self._contact = None
        every_s = self.settings.lost_every_s if self.settings else 0
        if every_s:
            stream = self._module.draws.stream("card contact")
            self._contact = self._module.timeline.call_in(
                ns(stream.expovariate(1 / every_s)), self._lose_contact
            )

    def _lose_contact(self) -> None:
        assert self.settings is not None  # noqa: S101 # there is a card
        stream = self._module.draws.stream("card contact")
        if self.state in _POWERED:
            self._cancel()
            self._machine.happen("contact_lost", "contact")
        self._contact = self._module.timeline.call_in(
            ns(stream.expovariate(1 / self.settings.lost_for_s)), self._regain_contact
        )

    def _regain_contact(self) -> None:
        if self.state is CardState.LOST:
            self._machine.happen("contact_back", "contact")
            self._start()
        self._expect_trouble()

    # -- its start --------------------------------------------------------------------

    def _on_power(self, change: Change[Power]) -> None:
        if not self._lies_in_slot:
            return
        if change.after is Power.READY:
            if self.state is CardState.BUSY:
                self._start()
        else:
            self._cancel()
            if self.state not in (CardState.UNPOWERED, CardState.ABSENT):
                self._machine.happen("unpowered", change.after.value)
            if change.after is Power.BOOTING:
                if self.state is CardState.ABSENT:
                    self._machine.happen("inserted", "boot")
                self._machine.happen("powered", "boot")

    def _start(self) -> None:
        """Its start takes the profile's time, or the card's own where it is slow."""
        assert self.settings is not None  # noqa: S101 # there is a card
        delay_ns = self._module.draws.draw_ns("card_ready", self._module.profile.delays.card_ready_s)
        if self.settings.starts_s is not None:
            delay_ns = ns(self.settings.starts_s)
        self._pending = self._module.timeline.call_in(delay_ns, self._initialised)

    def _initialised(self) -> None:
        self._pending = None
        if self.pin_tries == 0 and self._pin is not None:
            self._machine.happen("needs_puk" if self.puk_tries else "found_blocked")
        elif self.asks_for_pin:
            self._machine.happen("needs_pin")
        elif self._is_locked:
            self._machine.happen("found_locked")
        else:
            self._machine.happen("needs_nothing")

    def _verify(self, event: str) -> None:
        delay_ns = self._module.draws.draw_ns("pin_accepted", self._module.profile.delays.pin_accepted_s)
        self._machine.happen(event)
        self._pending = self._module.timeline.call_in(delay_ns, self._accepted)

    def _accepted(self) -> None:
        self._pending = None
        self._machine.happen("found_locked" if self._is_locked else "accepted")

    def _fits(self, module: Module) -> bool:
        return any(self.imsi.startswith(plmn) for plmn in module.profile.locked_to)

    def _cancel(self) -> None:
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
