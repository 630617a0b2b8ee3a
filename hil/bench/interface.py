"""What a suite may ask of any bench, simulated or hardware.

A suite asks for what it needs; a bench that lacks it says which part is missing.  Times are float
seconds here and integer nanoseconds on recordings.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, Literal, NamedTuple, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Collection

    from hil.recording.query import Recording
    from simulator.kernel.recorder import Value
    from simulator.module.profile import Profile


# What is outside the board.
Movable: TypeAlias = Literal["network", "antennas", "card", "uart", "adaptor", "service_centre", "message"]


class Clock(ABC):
    """The bench's clock.  Suites never look at another."""

    @abstractmethod
    def now_s(self) -> float:
        """Seconds since the run began."""

    @abstractmethod
    def now_ns(self) -> int:
        """Nanoseconds since the run began."""

    @abstractmethod
    def wait(self, seconds: float) -> None:
        """Return *seconds* later."""

    @abstractmethod
    def late_s(self, *, within_s: float | None = None) -> float:
        """How late the latest action was, of the run or its last *within_s* seconds; 0 at virtual pace."""


class HeaderPin(ABC):
    """One pin of the host's header, with the level at which its role is active (plain pins: high)."""

    number: str
    active_high: bool

    @abstractmethod
    def drive(self, level: bool) -> None:
        """Drive the pin high or low."""

    @abstractmethod
    def release(self) -> None:
        """Let go of the pin."""

    @abstractmethod
    def read(self) -> bool:
        """The level at the pin."""

    def set_active(self, active: bool) -> None:
        """Drive the pin to the level that means active, or to the other."""
        self.drive(active is self.active_high)

    def is_active(self) -> bool:
        """Whether the pin is at the level that means active."""
        return self.read() is self.active_high


class Header(ABC):
    """Pins by number (`"16"`) or role (`power_key`, `radio_disable`, `status`)."""

    @abstractmethod
    def __getitem__(self, pin_or_role: str) -> HeaderPin:
        """The pin; raises PartMissingError where the bench has none."""


class ControlLines(NamedTuple):
    """The lines that the module drives (ITU-T V.24, circuits 106, 107, 109 and 125); True is asserted."""

    cts: bool
    dsr: bool
    dcd: bool
    ri: bool


class Port(ABC):
    """One open port.  It is closed once; using it after the module went away raises PortGoneError."""

    role: str
    node: str

    @property
    @abstractmethod
    def is_open(self) -> bool:
        """Whether the port is open and still there."""

    @abstractmethod
    def write(self, data: bytes) -> None:
        """Send *data*; it is at the module, or on its way there, when the call returns."""

    @abstractmethod
    def read(self, size: int = 4096, *, timeout_s: float = 0.0) -> bytes:
        """Up to *size* bytes as soon as there are any; empty once *timeout_s* has passed."""

    @abstractmethod
    def discard_input(self) -> None:
        """Drop what has come and has not been read."""

    @abstractmethod
    def set_line(
        self, *, baud: int | None = None, framing: str | None = None, rtscts: bool | None = None
    ) -> None:
        """Change the rate, the framing (`8N1`), or whether CTS is heeded; what is left out stays."""

    @abstractmethod
    def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> None:
        """Drive DTR (circuit 108/2) or RTS (105 or 133); opening has asserted both."""

    @property
    @abstractmethod
    def control_lines(self) -> ControlLines:
        """What the module drives now."""

    @abstractmethod
    def send_break(self, seconds: float) -> None:
        """Hold the transmit line low for so long; return when it is over."""

    @abstractmethod
    def close(self) -> None:
        """Close the port; harmless when called again."""


class Ports(ABC):
    """The module's ports as the host sees them now."""

    @abstractmethod
    def present(self) -> Collection[str]:
        """The roles of the ports that are there, in the module's order."""

    @abstractmethod
    def node(self, role: str) -> str:
        """The name the host knows the port by; raises PartMissingError while it is not there."""

    @abstractmethod
    def wait_for(self, role: str, *, timeout_s: float) -> None:
        """Return once the port is there; raises PortMissingError after *timeout_s*."""

    @abstractmethod
    def wait_gone(self, role: str, *, timeout_s: float) -> bool:
        """True once the port is gone; False after *timeout_s*."""

    @abstractmethod
    def open(self, role: str, *, baud: int | None = None, framing: str = "8N1") -> Port:
        """Open a port that is there, in raw mode without echo, at the profile's rate or at *baud*."""


class Supply(ABC):
    """The source at the header; *nominal_v* is what the bench file says of it."""

    nominal_v: float

    @abstractmethod
    def on(self) -> None:
        """Turn it on."""

    @abstractmethod
    def off(self) -> None:
        """Turn it off."""

    @abstractmethod
    def set_volts(self, volts: float) -> None:
        """Set its voltage."""

    @abstractmethod
    def rail_volts(self) -> float:
        """The module's rail, measured."""

    @abstractmethod
    def lowest_rail_volts(self, *, within_s: float) -> float:
        """The lowest the module's rail has been in the last *within_s* seconds, as far as the meter sees."""


class Usb(ABC):
    """The module as a device on the host's bus."""

    @abstractmethod
    def allow_suspend(self, allowed: bool, *, after_s: float = 2.0) -> None:
        """Let the host suspend the device once it has been idle for *after_s* seconds, or never.

        The host forgets it with each enumeration.  Raises PartMissingError while the device is not there.
        """

    @abstractmethod
    def status(self) -> str:
        """`active`, `suspending`, `suspended`, `resuming`, or `absent`."""

    @abstractmethod
    def cycle(self) -> None:
        """Reset the device, so that it is enumerated again and its ports come back."""


class Host(ABC):
    """The small computer itself."""

    @abstractmethod
    def reboot(self) -> None:
        """Boot: the header's pins go to their boot state."""


class Surroundings(ABC):
    """What is outside the board and can be moved at run time."""

    @abstractmethod
    def move(self, part: Movable, **settings: Value) -> None:
        """Change the settings of one part by name; raises PartMissingError where it cannot be moved.

        *network* has the keys of the bench file's table, `cell` to name another cell than the first, and
        `detach` (`again` or `wait`) with a `cause`; *antennas* has `main`, `diversity` (fitted or not), their
        gains and `attenuation_db`; *card* has `present`, `starts_s`, `lost_every_s` and `lost_for_s`;
        *uart* has `noise`, the chance of each bit to be inverted; *adaptor* has `ports`, those of another
        device on the host's bus (0: none); *service_centre* has the keys of the bench file's table; moving
        *message* sends one to the module: `text`, `sender`, `message_class`, `pid`, `validity_s`.
        """


class Health(ABC):
    """Whether a silence is the bench's fault."""

    @abstractmethod
    def check(self) -> None:
        """Return where the bench is fit; raises BenchUnfitError or BenchUndecidedError."""


class Bench(ABC):
    """Everything under one name.

    *start_state* is what the module was put into before the run, or None where nobody knows.
    *card_pin* is the card's PIN and *own_number* its number, where the bench file tells them.
    """

    name: str
    start_state: str | None
    profile: Profile
    clock: Clock
    header: Header
    ports: Ports
    supply: Supply
    usb: Usb
    host: Host
    surroundings: Surroundings
    health: Health
    card_pin: str | None
    own_number: str | None

    @property
    @abstractmethod
    def is_untouched(self) -> bool:
        """Whether nothing has happened since the start that could have changed `start_state`."""

    @property
    @abstractmethod
    def parts(self) -> Collection[str]:
        """Such as `header:power_key`, `port:uart`, `usb`, `own-number`, `surroundings:network`."""

    @property
    @abstractmethod
    def recording(self) -> Recording:
        """What has happened so far."""

    @abstractmethod
    def note(self, lane: str, what: str, **more: Value) -> None:
        """Add an event of the suite's own to the recording."""

    @abstractmethod
    def close(self) -> None:
        """Let go of everything; harmless when called again."""
