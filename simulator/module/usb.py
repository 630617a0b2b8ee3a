"""The module as a device on the bus: it attaches, is enumerated, sleeps, wakes, and goes.

States are those of USB 2.0 9.1.1, with the time of a resume as one of its own.  Every change stands in one
table.  What the host decides about power is in `usb_power`; what ports carry is in `usb_link`.
"""

from __future__ import annotations

from enum import Enum
from typing import TYPE_CHECKING, Final

from simulator.kernel.announcement import Announcement
from simulator.kernel.machine import Change, StateMachine
from simulator.kernel.timeline import ns

from .usb_timing import (
    ADDRESS_RECOVERY_NS,
    DEBOUNCE_NS,
    RESET_NS,
    RESET_RECOVERY_NS,
    RESUME_NS,
    SUSPENDED_NS,
    WAKE_AFTER_IDLE_NS,
)

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .profile import Composition
    from .profile import Usb as UsbProfile
    from .spread import Draws


class UsbState(Enum):
    """The device's states, in the words of the recording."""

    DETACHED = "detached"
    ATTACHED = "attached"
    DEFAULT = "default"
    ADDRESS = "address"
    CONFIGURED = "configured"
    SUSPENDED = "suspended"
    RESUMING = "resuming"


TRANSITIONS: Final = (
    ("attach", UsbState.DETACHED, UsbState.ATTACHED),
    ("reset", UsbState.ATTACHED, UsbState.DEFAULT),
    ("reset", UsbState.CONFIGURED, UsbState.DEFAULT),
    ("reset", UsbState.SUSPENDED, UsbState.DEFAULT),
    ("reset", UsbState.RESUMING, UsbState.DEFAULT),
    ("address", UsbState.DEFAULT, UsbState.ADDRESS),
    ("configure", UsbState.ADDRESS, UsbState.CONFIGURED),
    *(
        ("unconfigure", state, UsbState.ADDRESS)
        for state in (UsbState.CONFIGURED, UsbState.SUSPENDED, UsbState.RESUMING)
    ),
    ("suspend", UsbState.CONFIGURED, UsbState.SUSPENDED),
    ("resume", UsbState.SUSPENDED, UsbState.RESUMING),
    ("resumed", UsbState.RESUMING, UsbState.CONFIGURED),
    *(("detach", state, UsbState.DETACHED) for state in UsbState if state is not UsbState.DETACHED),
)

# In these the host has bound its drivers, and the ports are there.
BOUND: Final = frozenset({UsbState.CONFIGURED, UsbState.SUSPENDED, UsbState.RESUMING})


class UsbDevice:
    """The module on the bus.

    `composition` is what it shows from the next attachment on.  `flows` while bytes pass; `deaf_until_ns` is
    the instant before which the module drops what the host sends (a profile's `loses_first_bytes`).  `bound`
    announces True when the host has configured the device, and False when its drivers lose it; `noticed` each
    change of state, before that.
    """

    def __init__(self, *, profile: UsbProfile, timeline: Timeline, recorder: Recorder, draws: Draws) -> None:
        self.profile = profile
        self.composition: Composition = profile.compositions_all[0]
        self.bound: Announcement[bool] = Announcement()
        self.flows_again: Announcement[None] = Announcement()
        self.noticed: Announcement[Change[UsbState]] = Announcement()
        self.flows = False
        self.deaf_until_ns = 0
        self._timeline, self._draws, self._recorder = timeline, draws, recorder
        self._machine: StateMachine[UsbState] = StateMachine(
            lane="module/usb", table=TRANSITIONS, initial=UsbState.DETACHED, recorder=recorder
        )
        self._step: Wakeup | None = None
        self._since_ns = 0
        self._machine.changed.listen(self._on_change)

    @property
    def state(self) -> UsbState:
        """The present state."""
        return self._machine.state

    @property
    def changed(self) -> Announcement[Change[UsbState]]:
        """Announces each change of state."""
        return self._machine.changed

    @property
    def is_bound(self) -> bool:
        """Whether the host has configured the device."""
        return self.state in BOUND

    # -- coming and going ---------------------------------------------------------------

    def attach(self) -> None:
        """The module pulls up its line: the host waits for it to settle, resets and configures it."""
        if self._machine.happen("attach", "module"):
            self._then(DEBOUNCE_NS, lambda: self.reset("attached"))

    def detach(self, cause: str) -> None:
        """The module leaves the bus; nothing where it is not there."""
        if self.state is not UsbState.DETACHED:
            self._machine.happen("detach", cause)

    def reset(self, cause: str) -> None:
        """The host resets the device and configures it again, as after an error; its drivers lose it."""
        if self._machine.happen("reset", cause):
            self._then(RESET_NS + RESET_RECOVERY_NS, self._address)

    def configure(self, cause: str) -> None:
        """The host gives the device its configuration again; nothing where it has one."""
        self._machine.happen("configure", cause)

    def unconfigure(self, cause: str) -> None:
        """The host takes its configuration away (USB 2.0 9.1.1.5: back to the address state)."""
        self._machine.happen("unconfigure", cause)

    def show(self, number: int) -> None:
        """Change to another composition: leave the bus and come back with it; 0 is the normal one."""
        every = self.profile.compositions_all
        self.composition = every[min(number, len(every) - 1)]
        if self.state is not UsbState.DETACHED:
            self.detach("composition")
            self._then(ns(self.profile.switch_s), self.attach)

    def make_configured(self) -> None:
        """Skip the enumeration (the bench starts in this state)."""
        for event in ("attach", "reset", "address", "configure"):
            self._machine.happen(event, "bench")

    def _address(self) -> None:
        self._machine.happen("address", "host")
        self._then(ADDRESS_RECOVERY_NS, lambda: self._machine.happen("configure", "host"))

    # -- sleeping and waking --------------------------------------------------------------

    def suspend(self) -> None:
        """The host lets the bus fall idle."""
        self._machine.happen("suspend", "host")

    def resume(self, cause: str) -> None:
        """Wake the bus: by the host, or by the module (*cause* "module"), as soon as either may."""
        if self.state is not UsbState.SUSPENDED or self._step is not None:
            return
        after_ns = WAKE_AFTER_IDLE_NS if cause == "module" else SUSPENDED_NS
        wait_ns = max(self._since_ns + after_ns - self._timeline.now_ns, 0)
        self._then(wait_ns, lambda: self._resume(cause))

    def _resume(self, cause: str) -> None:
        self._machine.happen("resume", cause)
        if self._draws.stream("usb/resume").random() < self.profile.resume_fails:
            self._then(RESUME_NS, lambda: self.reset("resume failed"))
            return
        ready_ns = RESUME_NS
        if cause != "module":  # which is awake when it wakes the host
            ready_ns = self._draws.draw_ns("usb_resume", self.profile.resume_s)
        if self.profile.loses_first_bytes:
            self.deaf_until_ns = self._timeline.now_ns + ready_ns
            ready_ns = RESUME_NS
        self._then(max(RESUME_NS, ready_ns), lambda: self._machine.happen("resumed", cause))

    # -- what follows from a change -------------------------------------------------------

    def _then(self, delay_ns: int, action: Callable[[], object]) -> None:
        def act() -> None:
            self._step = None
            action()

        self._step = self._timeline.call_in(delay_ns, act)

    def _on_change(self, change: Change[UsbState]) -> None:
        self.noticed.announce(change)
        self._since_ns = self._timeline.now_ns
        if self._step is not None:
            self._step.cancel()
            self._step = None
        self.flows = change.after is UsbState.CONFIGURED
        was_bound, is_bound = change.before in BOUND, change.after in BOUND
        if is_bound is not was_bound:
            self.deaf_until_ns = 0
            self.bound.announce(is_bound)
        elif self.flows:
            self.flows_again.announce(None)
