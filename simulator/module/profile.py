"""The facts of one module type: a table read from a file in, a checked `Profile` out.

Everything a suite, a script or the model needs to know of a module stands here, with its unit in the
key.  Knows no file: `hil` reads the text.
"""

from __future__ import annotations

from typing import Annotated, Literal, Self

from pydantic import Field, model_validator

from simulator.kernel.section import NotNegative, Positive, Section, Several, Volts

from .at_quirks import AtQuirks
from .extension_schema import ExtensionSet
from .message_ways import MessageWays
from .spread import Spread, SpreadOrNumber

PortRole = Literal["at", "data", "nmea", "diag"]


class Identity(Section):
    """What the module says of itself (TS 27.007 5.1 to 5.4)."""

    manufacturer: str
    model: str
    revision: str
    imei: Annotated[str, Field(pattern=r"^\d{15}$")]


class InputPin(Section):
    """One input of the module: it is active at *active* level; its pull is inside the module.

    Below *low_below_v* it reads low, above *high_above_v* high.
    """

    active: Literal["high", "low"]
    low_below_v: Volts
    high_above_v: Volts
    pull: Literal["up", "down"] | None = None
    pull_ohm: Positive | None = None
    io_v: Positive = 1.8

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if self.low_below_v > self.high_above_v:
            raise ValueError(
                f"need low_below_v <= high_above_v, found {self.low_below_v:g} and {self.high_above_v:g}"
            )
        if (self.pull is None) != (self.pull_ohm is None):
            raise ValueError("pull and pull_ohm go together")
        return self


class OutputPin(Section):
    """One output of the module: at *active* level while what it tells is true."""

    active: Literal["high", "low"]
    io_v: Positive = 1.8


class Pins(Section):
    """The module's pins that a carrier may bring out."""

    power_key: InputPin
    radio_disable: InputPin
    status: OutputPin | None = None
    uart_io_v: Positive = 1.8


class Key(Section):
    """What the power key does, by how long it is held.

    *start_acts* and *stop_acts*: at the threshold while still held, or on release.  A press begun in a
    dead window is ignored whole.  *tied_restart_s*: a key held since before the module went off, and
    still held this long after, begins a new press then (left out: it does not).
    """

    start_s: SpreadOrNumber
    stop_s: SpreadOrNumber
    reset_s: SpreadOrNumber | None = None
    start_acts: Literal["held", "release"]
    stop_acts: Literal["held", "release"]
    start_longest_s: Positive
    tied_restart_s: NotNegative | None = None
    dead_after_supply_s: NotNegative
    dead_in_boot_s: NotNegative
    dead_after_off_s: NotNegative

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if self.start_s.min <= 0 or self.stop_s.min <= 0:
            raise ValueError("start_s and stop_s need min above 0")
        longest = max(self.start_s.max, self.stop_s.max)
        if self.reset_s is not None and self.reset_s.min <= longest:
            raise ValueError(f"reset_s needs min above every start and stop ({longest:g} s)")
        if self.start_longest_s <= self.start_s.relied_on:
            raise ValueError("start_longest_s needs to be above what start_s guarantees")
        return self

    @property
    def toggles(self) -> bool:
        """Whether every press that starts a stopped module stops a running one."""
        return self.stop_s.max <= self.start_s.min

    @property
    def start_press_s(self) -> tuple[float, float]:
        """The shortest and the longest good start press: 1.1 x what is guaranteed, and the manual's limit."""
        return 1.1 * self.start_s.relied_on, self.start_longest_s

    @property
    def stop_press_s(self) -> float:
        """A press that stops a running module: 1.1 x what is guaranteed."""
        return 1.1 * self.stop_s.relied_on


class Delays(Section):
    """How long things take, counted from the instant at which the start threshold is reached.

    *registration_s* is that of a module which knows its network; *band_scan_s* comes on top where it was
    never registered, and begins anew after each interruption (common practice, no source).
    """

    uart_answers_s: SpreadOrNumber
    usb_appears_s: SpreadOrNumber
    usb_answers_after_s: SpreadOrNumber
    card_ready_s: SpreadOrNumber
    store_ready_s: SpreadOrNumber
    pin_accepted_s: SpreadOrNumber
    registration_s: SpreadOrNumber
    band_scan_s: SpreadOrNumber = Spread(typ=120.0, min=20.0, max=900.0)
    operator_scan_s: SpreadOrNumber = Spread(typ=60.0, min=30.0, max=120.0)
    stop_s: SpreadOrNumber
    radio_off_s: SpreadOrNumber
    functionality_s: SpreadOrNumber
    reply_s: SpreadOrNumber


class Composition(Section):
    """What the module shows on the bus: a product identity and the ports in their order."""

    product_id: Annotated[str, Field(pattern=r"^[0-9a-f]{4}$")]
    ports: Several[PortRole]

    @model_validator(mode="after")
    def _ports_once(self) -> Self:
        if len(set(self.ports)) != len(self.ports):
            raise ValueError(f"ports needs each role at most once, found {', '.join(self.ports)}")
        return self


class Usb(Composition):
    """Identity on the bus, the ports in their order, and resume from suspend (USB 2.0 7.1.7.7).

    *resume_s* counts from the start of the host's signalling; until then the module takes nothing, or drops
    what comes (*loses_first_bytes*).  *resume_fails* is the chance of each resume to fail.  *missing* ports
    never come; each port comes *port_spacing_s* after the one before.  *compositions* are others that the
    effect `composition` changes to; it takes *switch_s* off the bus.
    """

    vendor_id: Annotated[str, Field(pattern=r"^[0-9a-f]{4}$")]
    resume_s: SpreadOrNumber
    loses_first_bytes: bool = False
    resume_fails: Annotated[float, Field(ge=0, le=1)] = 0.0
    remote_wakeup: bool = True
    missing: Several[PortRole] = ()
    port_spacing_s: NotNegative = 0
    compositions: Several[Composition] = ()
    switch_s: NotNegative = 1.0

    @model_validator(mode="after")
    def _has_at(self) -> Self:
        if "at" not in self.ports:
            raise ValueError(f"ports needs at least 'at', found {', '.join(self.ports)}")
        return self

    @property
    def compositions_all(self) -> tuple[Composition, ...]:
        """The normal composition, then the others."""
        return (Composition(product_id=self.product_id, ports=self.ports), *self.compositions)

    @property
    def roles(self) -> tuple[PortRole, ...]:
        """Every port that any composition shows."""
        return tuple(dict.fromkeys(role for one in self.compositions_all for role in one.ports))


class Uart(Section):
    """The serial interface: its rate and framing, or the rate it keeps until it is trained.

    *training_lines*: so many lines after the training are not answered, that which trained it first.
    *wake_s*: what begins within so long of the character that wakes a resting interface is lost with it.
    *flow_control*: the module heeds RTS and drives CTS.  *keeps_settings*: what +IPR, +ICF and +IFC have
    set outlives a restart and the supply (modules differ: common practice, no source).
    """

    baud: Annotated[int, Field(gt=0)]
    framing: Literal["8N1", "8N2", "8E1", "8O1", "7E1", "7O1"] = "8N1"
    autobaud: bool = False
    training_lines: Annotated[int, Field(ge=0, le=20)] = 0
    wake_s: NotNegative = 0
    flow_control: bool = False
    keeps_settings: bool = False


class At(Section):
    """How the AT interface behaves before anybody sets it (ITU-T V.250 6.2, TS 27.007).

    *unsolicited_on*: the ports that unsolicited lines go to, where their session asks for them.  *ring_s*:
    how long each asserts RI (circuit 125), for hosts that sleep meanwhile (common practice, no source).
    *hold_unsolicited*: they wait for the final result of the command under way.  *unsolicited_gap_s*: two of
    them are at least so far apart.  *reply_piece*: a reply leaves in pieces of so many bytes (0: whole), each
    *piece_gap_s* after the one before; lines that are not held back get between them.
    *card_starting_error*: what is answered while the card starts: 14, or misleadingly 10 or 13.
    """

    echo: bool = True
    verbose: bool = True
    quiet: bool = False
    result_level: Annotated[int, Field(ge=0, le=4)] = 4
    error_level: Annotated[int, Field(ge=0, le=2)] = 0
    card_starting_error: Literal[10, 13, 14] = 14
    registration_report: Annotated[int, Field(ge=0, le=3)] = 0
    line_limit: Annotated[int, Field(ge=40, le=65536)] = 1024
    hold_unsolicited: bool = True
    unsolicited_gap_s: NotNegative = 0
    reply_piece: Annotated[int, Field(ge=0, le=65536)] = 0
    piece_gap_s: NotNegative = 0.001
    quirks: AtQuirks = AtQuirks()
    keep_before_open: bool = False
    unsolicited_on: Several[Literal["at", "data", "uart"]] = ("at", "data", "uart")
    ring_s: NotNegative = 0


class Quirks(Section):
    """Named behaviours that modules differ in; each is off unless the profile turns it on.

    *reset_begun_off*: a press that began while the module was off can reset it too.
    *command_beats_radio_pin*: +CFUN=1 turns the radios on although the pin is asserted.
    *radio_pin_release_turns_on*: releasing the pin turns the radios on whatever was asked for by command.
    *card_seen_at_boot_only*: a card put in while the module runs is not seen until it starts again.
    *restart_keeps_back_off*: a wait that the network has ordered (T3346) outlives a restart.
    *retries_whatever_the_cause*: every refusal counts as a failed attempt.  *gives_up_at_first_failure*: none
    is tried again before the radios were off.  *ignores_long_waits*: T3402 and T3346 last no longer than
    T3411.  *hears_while_silent*: a level is told although the radios are off.  *searches_once*: what ended
    is not looked for again before the radios were off.  *clock_always_follows*: the network's time sets the
    clock whatever was asked for.
    """

    reset_begun_off: bool = False
    command_beats_radio_pin: bool = False
    radio_pin_release_turns_on: bool = False
    card_seen_at_boot_only: bool = False
    retries_whatever_the_cause: bool = False
    gives_up_at_first_failure: bool = False
    ignores_long_waits: bool = False
    hears_while_silent: bool = False
    searches_once: bool = False
    clock_always_follows: bool = False
    restart_keeps_back_off: bool = False


class Receiver(Section):
    """How well the module measures: *level_error_db* is added to every level that it tells.

    TS 36.133 9.1.2 allows 6 dB in normal conditions (from memory).
    """

    level_error_db: Annotated[float, Field(ge=-20, le=20)] = 0.0


class Supply(Section):
    """What the module's rail must be, in volts at the module; *lockout_v* 0 is a module without lock-out.

    After a lock-out it restarts by itself once the rail has been above *restart_v* for
    *restart_after_s*, unless the rail was below *forgets_below_v* in between.
    """

    min_v: Positive
    nominal_v: Positive
    max_v: Positive
    warning_v: Positive
    lockout_v: NotNegative
    restart_v: Positive
    restart_after_s: NotNegative
    warning_averaged_s: NotNegative
    lockout_after_s: NotNegative
    forgets_below_v: NotNegative = 1.5
    auto_start_s: NotNegative | None = None

    @model_validator(mode="after")
    def _in_order(self) -> Self:
        if not self.lockout_v < self.warning_v < self.nominal_v < self.max_v:
            raise ValueError("need lockout_v < warning_v < nominal_v < max_v")
        return self


class Burst(Section):
    """A transmit burst: *amps* for *on_s* in every *every_s*."""

    amps: Positive
    on_s: Positive
    every_s: Positive


class Currents(Section):
    """What the module draws at its nominal voltage, in amperes by state."""

    off_a: NotNegative
    boot_a: NotNegative
    idle_usb_a: NotNegative
    idle_uart_a: NotNegative
    rest_a: NotNegative
    power_saving_a: NotNegative
    inrush_a: NotNegative
    inrush_s: NotNegative
    lte_transmit: Burst
    gsm_transmit: Burst


class Profile(Section):
    """One module type.

    *locked_to*: it serves cards of these PLMNs only, until *unlock_code* is entered (TS 22.022, from memory).
    """

    name: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$")]
    identity: Identity
    locked_to: Several[Annotated[str, Field(pattern=r"^\d{5,6}$")]] = ()
    unlock_code: Annotated[str, Field(pattern=r"^\d{8,16}$")] = "00000000"
    boot_line: str
    farewell_line: str
    pins: Pins
    key: Key
    delays: Delays
    usb: Usb
    uart: Uart
    at: At
    messages: MessageWays = MessageWays()
    supply: Supply
    currents: Currents
    quirks: Quirks = Quirks()
    receiver: Receiver = Receiver()
    extensions: ExtensionSet = ExtensionSet()
