"""What a driver promises, by the kind of part.  Comfort (waits, recording, guards) is written once above it.

A driver class has a section `Options`, which its table in a bench file is checked against, and is made with
`Driver(options, part)`; *part* is the part's name in messages.  Making it opens the part, and raises
BenchUnfitError where that cannot be done; so does every later call on a part that has broken.  `close` may be
called twice.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING, ClassVar, Literal, NamedTuple, TypeAlias

from simulator.kernel.section import Section

if TYPE_CHECKING:
    from collections.abc import Collection

    from hil.bench.interface import ControlLines

Kind: TypeAlias = Literal["ports", "lines", "sense", "supply", "meter", "attenuator", "usb", "host"]


class LinkLostError(OSError):
    """The far end of an open link is gone: unplugged, off the bus, or hung up."""


class DriverOptions(Section):
    """The keys of a driver's table beside `driver`."""

    def resources(self) -> Collection[str]:
        """What the driver takes for itself, under names that are the same for whoever claims it."""
        return ()


class Driver(ABC):
    """What all drivers share."""

    Options: ClassVar[type[DriverOptions]]

    @abstractmethod
    def close(self) -> None:
        """Let go of the part; harmless when called again."""

    def check(self) -> str:
        """Look at the part without moving anything; what was found, in a few words."""
        return "there"


class Link(ABC):
    """One open serial port."""

    @abstractmethod
    def read(self, timeout_s: float) -> bytes:
        """What has come, as soon as there is any; empty after *timeout_s*.  Raises LinkLostError."""

    @abstractmethod
    def write(self, data: bytes) -> None:
        """Send *data* whole.  Raises LinkLostError."""

    @abstractmethod
    def set_line(
        self, *, baud: int | None = None, framing: str | None = None, rtscts: bool | None = None
    ) -> None:
        """Change the rate, the framing (`8N1`), or whether CTS is heeded."""

    @abstractmethod
    def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> None:
        """Drive DTR or RTS."""

    @property
    @abstractmethod
    def control_lines(self) -> ControlLines:
        """What the module drives; raises PartMissingError where the link does not carry it."""

    @abstractmethod
    def send_break(self, seconds: float) -> None:
        """Hold the transmit line low for so long."""

    @abstractmethod
    def close(self) -> None:
        """Close the port."""


class PortDriver(Driver):
    """A place where a port of the module is, or comes and goes; *looks_every_s* is how often to look."""

    looks_every_s: float = 0.01
    # Whether its going away can be the module's doing, as with a port on the module's own USB.
    is_module_s_own: bool = True

    @abstractmethod
    def node(self) -> str | None:
        """The name that the host knows the port by now; None while it is not there."""

    @abstractmethod
    def open(self, *, baud: int, framing: str) -> Link:
        """Open it, raw and without echo.  Raises LinkLostError where it is not there."""


class LineDriver(Driver):
    """One header pin.  Nothing is driven until `drive`."""

    @abstractmethod
    def drive(self, level: bool) -> None:
        """Drive the pin high or low, in one step from an input."""

    @abstractmethod
    def release(self) -> None:
        """Make the pin an input."""

    @abstractmethod
    def read(self) -> bool:
        """The level at the pin."""


class Edge(NamedTuple):
    """One edge: the kernel's time stamp (CLOCK_MONOTONIC, ns) and the level after it."""

    t_ns: int
    level: bool


class SenseDriver(Driver):
    """An input on which edges are stamped as they happen."""

    @abstractmethod
    def edges(self) -> list[Edge]:
        """The edges since the last call, in order."""

    @abstractmethod
    def level(self) -> bool:
        """The level now."""


class SupplyDriver(Driver):
    """The source at the header."""

    @abstractmethod
    def set_volts(self, volts: float) -> None:
        """Set its voltage."""

    @abstractmethod
    def set_limit(self, amps: float) -> None:
        """Set its current limit."""

    @abstractmethod
    def turn(self, *, on: bool) -> None:
        """Turn its output on or off."""

    @abstractmethod
    def is_on(self) -> bool:
        """Whether its output is on."""

    @abstractmethod
    def volts(self) -> float:
        """Its output, measured."""

    @abstractmethod
    def amps(self) -> float:
        """What is drawn from it, measured."""


class MeterDriver(Driver):
    """A voltmeter at the module's rail."""

    @abstractmethod
    def volts(self) -> float:
        """The rail, measured."""


class AttenuatorDriver(Driver):
    """What lies between cell and antenna connector."""

    @abstractmethod
    def set_db(self, attenuation_db: float) -> None:
        """Attenuate by so much."""


class UsbDriver(Driver):
    """One physical device on the host's bus, by its place there."""

    @abstractmethod
    def status(self) -> str:
        """`active`, `suspending`, `suspended`, `resuming`, or `absent`."""

    @abstractmethod
    def allow_suspend(self, allowed: bool, *, after_s: float) -> None:
        """Let the host suspend it once idle for *after_s*, or never; raises PartMissingError while absent."""

    @abstractmethod
    def cycle(self) -> None:
        """Take the device off the host's bus and on again, so that it is enumerated anew."""


class Ran(NamedTuple):
    """What a command on the host came to: its status, and its output and errors in one."""

    status: int
    output: bytes


class HostDriver(Driver):
    """A shell on the small computer."""

    @abstractmethod
    def run(self, command: str, *, timeout_s: float) -> Ran:
        """Run a command line and wait for its end."""

    @abstractmethod
    def put(self, data: bytes, path: str, *, mode: int = 0o755) -> None:
        """Write a file there."""

    @abstractmethod
    def reboot(self) -> None:
        """Boot, and return once there is a shell again."""
