"""The module's serial interface: the host's end and the module's, and the wires between them.

The host's end is set by whoever holds the port, the module's by its profile, by command, or by training:
a module with autobaud takes its rate from the start bit of the first `A` of `AT` (ITU-T V.250 4.3).  After
a time without traffic it may rest; the first character then only wakes it (common practice, no source).
"""

from __future__ import annotations

from enum import Enum
from functools import partial
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import Field

from simulator.kernel.announcement import Announcement
from simulator.kernel.machine import StateMachine
from simulator.kernel.section import Section
from simulator.kernel.timeline import ns

from .framing import LineSettings
from .runs import Runs
from .wire import Wire

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.recorder import Recorder
    from simulator.kernel.timeline import Timeline, Wakeup

    from .framing import Received
    from .port import Port
    from .profile import Uart as UartProfile
    from .spread import Draws

# The rates that training can find and +IPR can set: those of V.250 6.2.10 from 300 bit/s on, and the ones
# above that modules offer (common practice, no source).
RATES: Final = (
    *(300, 1200, 2400, 4800, 9600, 19200, 38400, 57600),
    *(115200, 230400, 460800, 921600),
)
# How far a measured rate may lie from one of these: half of what a receiver could bear.
_NEAR: Final = 0.025

# What the module keeps for a host that does not let it send (common practice, no source).
_MODULE_QUEUE: Final = 4096
_CLOGGED_FROM: Final = 2048
_TAKES_AT_ONCE: Final = _MODULE_QUEUE - _CLOGGED_FROM

# What Linux serial drivers start with (from memory).
HOST_START: Final = LineSettings(9600)


class UartWires(Section):
    """What disturbs the serial line beside the board: *noise*, the chance of each bit to be inverted."""

    noise: Annotated[float, Field(ge=0, le=0.5)] = 0.0


class Attention(Enum):
    """Whether the interface listens, in the words of the recording."""

    AWAKE = "awake"
    RESTING = "resting"


TRANSITIONS: Final = (
    ("idle", Attention.AWAKE, Attention.RESTING),
    ("traffic", Attention.RESTING, Attention.AWAKE),
)


class Uart:
    """Both ends of the serial line; carries *port*.

    `host` and `module` are what each end is set to; with *rtscts* the host sends while it sees CTS only.
    `detects_rate` where the module takes its rate from the host, `heeds_rts` and `drives_cts` where it lets
    itself be stopped by RTS and stops the host by CTS; `cts_carries` and `rts_carries` say whether those
    wires go through.  `is_trained` is False while the module waits for `AT` to measure the host's rate.
    `attention_changed` announces resting (True) and awake.
    """

    def __init__(
        self, *, port: Port, profile: UartProfile, timeline: Timeline, recorder: Recorder, draws: Draws
    ) -> None:
        self.port, self.profile = port, profile
        self.attention_changed: Announcement[bool] = Announcement()
        self.host = HOST_START
        self.module = LineSettings.of(profile.baud, profile.framing)
        self.detects_rate = profile.autobaud
        self.is_trained = not profile.autobaud
        self.heeds_rts = self.drives_cts = profile.flow_control
        self.rtscts = False
        self.cts_carries: Callable[[], bool] = lambda: True
        self.rts_carries: Callable[[], bool] = lambda: True
        self.rest_idle_s = 0.0
        self._timeline, self._recorder = timeline, recorder
        self._inward = Runs(recorder, port.lane, "to_module", cut_at=b"\r")
        self._outward = Runs(recorder, port.lane, "from_module")
        self.to_module = Wire(
            timeline=timeline,
            sender=self.host,
            receiver=self.module,
            stream=draws.stream("uart/noise/to_module"),
            received=self._module_receives,
            lost=self._inward.lose,
            drained=partial(self._soon, self._inward_rests),
        )
        self.to_host = Wire(
            timeline=timeline,
            sender=self.module,
            receiver=self.host,
            stream=draws.stream("uart/noise/from_module"),
            received=self._host_receives,
            limit=_MODULE_QUEUE,
            lost=self._outward.lose,
            drained=partial(self._soon, self._outward_rests),
        )
        port.takes_at_once = _TAKES_AT_ONCE
        self.to_module.before_character = self._before_character
        self.to_module.may_send = lambda: not self.rtscts or self.cts
        self.to_host.may_send = lambda: self.rts
        self.to_host.is_heard = lambda: port.clients > 0
        port.opened.listen(lambda _: self.to_host.heard())
        self._training = b""
        self._swallows = 0
        self._attention: StateMachine[Attention] = StateMachine(
            lane="module/uart", table=TRANSITIONS, initial=Attention.AWAKE, recorder=recorder
        )
        self._last_traffic_ns = 0
        self._awake_from_ns = 0
        self._idle: Wakeup | None = None
        port.carry_by(self)

    def move(self, wires: UartWires) -> None:
        """The line is disturbed so from now on."""
        self.to_module.noise = self.to_host.noise = wires.noise

    # -- what the ends do ------------------------------------------------------------

    def from_host(self, data: bytes) -> None:
        """Bytes that the host's driver has taken."""
        refused = data[self.to_module.send(data) :]
        if refused:
            self.port.lose(refused)

    def from_module(self, data: bytes) -> None:
        """Bytes that the module sends."""
        self._traffic()
        self._look_at_host()
        refused = data[self.to_host.send(data) :]
        if refused:
            self.port.lose(refused)
        if self.to_host.waiting > _CLOGGED_FROM:
            self.port.clog(on=True)

    def set_host(self, settings: LineSettings, *, rtscts: bool = False) -> None:
        """Whoever holds the port has set its line."""
        self.host, self.rtscts = settings, rtscts
        self.to_module.sender = settings
        self.to_host.tune(settings)
        self.to_module.go_on()

    def set_break(self, on: bool) -> None:
        """The host holds its transmit line low, or lets it go."""
        self.to_module.set_break(on)

    def set_rate(self, baud: int) -> None:
        """The module changes to *baud* once what it says now is through (V.250 6.2.10); 0 trains anew."""
        self.to_host.when_idle(lambda: self._set_rate(baud))

    def _set_rate(self, baud: int) -> None:
        self.detects_rate = baud == 0
        if baud == 0:
            self._train_anew()
            return
        self.is_trained = True
        self._tune_module(self.module._replace(baud=baud))

    def set_framing(self, framing: str) -> None:
        """The module changes to *framing* once what it says now is through (V.250 6.2.11)."""
        wanted = LineSettings.of(self.module.baud, framing)
        self.to_host.when_idle(lambda: self._tune_module(wanted._replace(baud=self.module.baud)))

    def set_flow(self, *, heeds_rts: bool, drives_cts: bool) -> None:
        """Once what it says now is through, the module lets itself be stopped, and stops the host, or not."""

        def change() -> None:
            self.heeds_rts, self.drives_cts = heeds_rts, drives_cts
            self.lines_changed()

        self.to_host.when_idle(change)

    def _tune_module(self, settings: LineSettings) -> None:
        self.module = self.to_host.sender = settings
        self.to_module.tune(settings)

    def boot(self) -> None:
        """The module boots: its settings are its profile's again, unless it keeps those it was given."""
        self.off()
        if not self.profile.keeps_settings:
            self.detects_rate = self.profile.autobaud
            self.heeds_rts = self.drives_cts = self.profile.flow_control
            self._tune_module(LineSettings.of(self.profile.baud, self.profile.framing))
        if self.detects_rate:
            self._train_anew()

    def off(self) -> None:
        """The module has stopped: whatever it was sending is cut."""
        self.to_host.cut()
        self.port.clog(on=False)
        self.rest_idle_s = 0.0
        self._wake()

    # -- flow control -------------------------------------------------------------------

    @property
    def cts(self) -> bool:
        """Circuit 106 as the host sees it: asserted while the module takes characters, if it is wired."""
        return self.cts_carries() and not (self.drives_cts and self.port.is_congested)

    @property
    def rts(self) -> bool:
        """Circuit 133 as the module heeds it; where nobody drives it, it is asserted (common practice)."""
        return not (self.heeds_rts and self.rts_carries()) or self.port.rts

    def lines_changed(self) -> None:
        """A control line has moved: whoever waited for it may go on."""
        self.to_module.go_on()
        self.to_host.go_on()

    # -- training ---------------------------------------------------------------------

    def _train_anew(self) -> None:
        self.is_trained, self._training = False, b""
        self._swallows = self.profile.training_lines

    def _before_character(self, byte: int) -> None:
        """Untrained, the receiver takes its rate from how long the line stays low at first."""
        if self.is_trained or self._training:
            return
        low_ns = next(until_ns for level, until_ns in self.host.levels(byte) if level == 0)
        measured = 1e9 / low_ns
        rate = min(RATES, key=lambda one: abs(one - measured))
        if abs(rate - measured) <= _NEAR * rate:
            self.to_module.tune(self.module._replace(baud=rate))

    def _train(self, one: Received) -> bool:
        """Whether *one* was still needed to find the rate."""
        character = bytes([one.byte]).upper()
        if not self._training:
            if character == b"A" and not one.framing_error:
                self._training = bytes([one.byte])
            return True
        if character != b"T" or one.framing_error:
            self._training = b""
            return True
        attention, self._training = self._training, b""
        baud = self.to_module.receiving.baud
        self._tune_module(self.module._replace(baud=baud))
        self.is_trained = True
        self._recorder.record("module/uart", "trained", baud=baud)
        self._hand_over(attention[0])
        return False

    # -- what arrives -------------------------------------------------------------------

    def _module_receives(self, one: Received) -> None:
        began_ns = one.at_ns - self.to_module.receiving.character_ns
        was_awake = began_ns >= self._awake_from_ns and not self.is_resting
        self._traffic()
        if not was_awake:
            self._inward.lose(one.byte)
            return
        self._inward.add(one)
        if self.is_trained or not self._train(one):
            self._hand_over(one.byte)

    def _hand_over(self, byte: int) -> None:
        if self._swallows:
            # The line that trained the receiver is not a command to it.
            self._swallows -= byte == 0x0D  # noqa: PLR2004 # CR
            return
        self.port.hand_to_module(bytes([byte]))

    def _host_receives(self, one: Received) -> None:
        if self.port.hand_to_host(bytes([one.byte])):
            self.port.counts.frame += one.framing_error
            self.port.counts.parity += one.parity_error
            self._outward.add(one)
        else:
            self._outward.lose(one.byte)

    def _soon(self, action: Callable[[], None]) -> None:
        """Do *action* after all that happens at this instant: an echo may go on with the next character."""
        self._timeline.call_in(0, action)

    def _inward_rests(self) -> None:
        if not self.to_module.is_busy:
            self._inward.end()

    def _outward_rests(self) -> None:
        if not self.to_host.is_busy:
            self._outward.end()
            self.port.clog(on=False)

    def _look_at_host(self) -> None:
        """The rate that counts is the one the host's end has when characters arrive."""
        edge = self.port.edge
        if edge is not None:
            edge.look_at_settings()

    # -- rest ---------------------------------------------------------------------------

    @property
    def is_resting(self) -> bool:
        """Whether the interface rests and the next character only wakes it."""
        return self._attention.state is Attention.RESTING

    def set_rest(self, idle_s: float) -> None:
        """Rest after *idle_s* seconds without a character; 0 never."""
        self.rest_idle_s = idle_s
        self._last_traffic_ns = self._timeline.now_ns
        if self._idle is not None:
            self._idle.cancel()
            self._idle = None
        if idle_s:
            self._idle = self._timeline.call_in(ns(idle_s), self._maybe_rest)

    def _traffic(self) -> None:
        self._last_traffic_ns = self._timeline.now_ns
        if self.is_resting:
            self._awake_from_ns = self._timeline.now_ns + ns(self.profile.wake_s)
            self._wake()

    def _wake(self) -> None:
        if self.is_resting:
            self._attention.happen("traffic", "traffic")
            self.attention_changed.announce(False)  # noqa: FBT003 # awake
        self.set_rest(self.rest_idle_s)

    def _maybe_rest(self) -> None:
        """Rest if it has been quiet for long enough, else look again when it may have been."""
        self._idle = None
        due_ns = self._last_traffic_ns + ns(self.rest_idle_s)
        if self.to_host.is_busy:
            due_ns = max(due_ns, self._timeline.now_ns + ns(self.rest_idle_s))
        if due_ns > self._timeline.now_ns:
            self._idle = self._timeline.call_at(due_ns, self._maybe_rest)
            return
        self._attention.happen("idle", "idle")
        self.attention_changed.announce(True)  # noqa: FBT003 # resting
