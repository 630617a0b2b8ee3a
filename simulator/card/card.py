"""PIN and PUK entries in, the card's state out.

Three wrong PINs block the PIN, ten wrong PUKs the card (3GPP TS 31.101, from memory).  The card keeps
its counters when the module loses power.
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import Field

from simulator.kernel.machine import StateMachine
from simulator.kernel.section import Section
from simulator.module.power import Power

if TYPE_CHECKING:
    from simulator.kernel.announcement import Announcement
    from simulator.kernel.machine import Change
    from simulator.kernel.timeline import Wakeup
    from simulator.module.module import Module

PIN_TRIES: Final = 3
PUK_TRIES: Final = 10


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


_POWERED = (
    CardState.BUSY,
    CardState.PIN,
    CardState.VERIFYING,
    CardState.READY,
    CardState.PUK,
    CardState.BLOCKED,
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
    ("accepted", CardState.VERIFYING, CardState.READY),
    *(("unpowered", state, CardState.UNPOWERED) for state in _POWERED),
)


class CardSettings(Section):
    """The card that a bench file describes; without *pin* it asks for none.

    *number* is the subscriber's own; *service_centre* the one for messages ("": none), *messages* the places
    for them.
    """

    imsi: Annotated[str, Field(pattern=r"^\d{6,15}$")] = "001010123456789"
    iccid: Annotated[str, Field(pattern=r"^\d{18,20}$")] = "8999900000000000121"
    number: Annotated[str, Field(pattern=r"^\+?\d{3,20}$")] | None = None
    service_centre: Annotated[str, Field(pattern=r"^(\+?\d{3,20})?$")] = "+447700900000"
    messages: Annotated[int, Field(ge=0, le=255)] = 20
    pin: Annotated[str, Field(pattern=r"^\d{4,8}$")] | None = None
    puk: Annotated[str, Field(pattern=r"^\d{8}$")] = "12345678"
    pin_tries: Annotated[int, Field(ge=0, le=PIN_TRIES)] = PIN_TRIES
    puk_tries: Annotated[int, Field(ge=0, le=PUK_TRIES)] = PUK_TRIES


class CardStateError(ValueError):
    """A PIN or PUK was entered while the card waits for something else."""

    def __init__(self, *, entered: str, state: CardState) -> None:
        self.entered, self.state = entered, state
        super().__init__(f"{entered} entered while the card is {state.value}")


class Card:
    """One card, or the empty slot where *settings* is None."""

    def __init__(self, *, settings: CardSettings | None, module: Module) -> None:
        self.settings = settings
        self.pin_tries = settings.pin_tries if settings else 0
        self.puk_tries = settings.puk_tries if settings else 0
        self._pin = settings.pin if settings else None
        self._module = module
        self._pending: Wakeup | None = None
        self._machine: StateMachine[CardState] = StateMachine(
            lane="module/card",
            table=TRANSITIONS,
            initial=CardState.UNPOWERED if settings else CardState.ABSENT,
            recorder=module.recorder,
        )
        module.power.changed.listen(self._on_power)

    @property
    def state(self) -> CardState:
        """What the card waits for."""
        return self._machine.state

    @property
    def changed(self) -> Announcement[Change[CardState]]:
        """Announces each change of state."""
        return self._machine.changed

    @property
    def present(self) -> bool:
        """Whether there is a card in the slot."""
        return self.settings is not None

    @property
    def imsi(self) -> str:
        """The subscriber's identity; empty without a card."""
        return self.settings.imsi if self.settings else ""

    @property
    def iccid(self) -> str:
        """The card's number; empty without a card."""
        return self.settings.iccid if self.settings else ""

    def enter_pin(self, pin: str) -> bool:
        """Try *pin*: True where it is right; a wrong one costs a try.

        Raises CardStateError where no PIN is awaited; nothing is tried then.
        """
        if self.state is not CardState.PIN:
            raise CardStateError(entered="PIN", state=self.state)
        if pin == self._pin:
            self.pin_tries = PIN_TRIES
            self._verify("pin_right")
            return True
        self.pin_tries -= 1
        self._module.recorder.record("module/card", "wrong_pin", tries_left=self.pin_tries)
        if self.pin_tries == 0:
            self._machine.happen("pin_blocked")
        return False

    def enter_puk(self, puk: str, new_pin: str) -> bool:
        """Try *puk*: True where it is right, and *new_pin* is the PIN from then on.

        Raises CardStateError where no PUK is awaited; nothing is tried then.
        """
        if self.state is not CardState.PUK or self.settings is None:
            raise CardStateError(entered="PUK", state=self.state)
        if puk == self.settings.puk:
            self._pin, self.pin_tries, self.puk_tries = new_pin, PIN_TRIES, PUK_TRIES
            self._verify("puk_right")
            return True
        self.puk_tries -= 1
        self._module.recorder.record("module/card", "wrong_puk", tries_left=self.puk_tries)
        if self.puk_tries == 0:
            self._machine.happen("puk_blocked")
        return False

    def make_initialised(self) -> None:
        """Skip the card's start: it waits for its PIN, or is ready (the bench starts in this state)."""
        self._cancel()
        if self.state is CardState.UNPOWERED:
            self._machine.happen("powered")
        if self.state is CardState.BUSY:
            self._initialised()

    def _on_power(self, change: Change[Power]) -> None:
        if not self.present:
            return
        if change.after is Power.READY:
            if self.state is CardState.BUSY:
                delay_ns = self._module.draws.draw_ns("card_ready", self._module.profile.delays.card_ready_s)
                self._pending = self._module.timeline.call_in(delay_ns, self._initialised)
        else:
            self._cancel()
            if self.state is not CardState.UNPOWERED:
                self._machine.happen("unpowered", change.after.value)
            if change.after is Power.BOOTING:
                self._machine.happen("powered", "boot")

    def _initialised(self) -> None:
        self._pending = None
        if self._pin is None:
            self._machine.happen("needs_nothing")
        elif self.pin_tries:
            self._machine.happen("needs_pin")
        else:
            self._machine.happen("needs_puk" if self.puk_tries else "found_blocked")

    def _verify(self, event: str) -> None:
        delay_ns = self._module.draws.draw_ns("pin_accepted", self._module.profile.delays.pin_accepted_s)
        self._machine.happen(event)
        self._pending = self._module.timeline.call_in(delay_ns, self._accepted)

    def _accepted(self) -> None:
        self._pending = None
        self._machine.happen("accepted")

    def _cancel(self) -> None:
        if self._pending is not None:
            self._pending.cancel()
            self._pending = None
