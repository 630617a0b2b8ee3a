"""The host's GPIO lines: driven by scripts and suites in, levels at header pins out.

Knows no file and no ioctl; edges offer the lines in whatever form a script expects.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Literal, Self, TypeAlias

from pydantic import Field, model_validator

from simulator.kernel.announcement import Announcement
from simulator.kernel.section import NotNegative, Positive, Section

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

BootState: TypeAlias = Literal["float", "up", "down", "high", "low"]
Pull: TypeAlias = Literal["up", "down"]
# What the host asks of a line's pull: one of the two, none, or whatever it is.
Bias: TypeAlias = Literal["up", "down", "none", "as-is"]
# How an output is driven: both ways, only to ground, or only to the supply (the rest is left to the pull).
Drive: TypeAlias = Literal["push-pull", "open-drain", "open-source"]
# What has become of a line's use.
Use: TypeAlias = Literal["requested", "released", "reconfigured"]


class LineSettings(Section):
    """One line: its offset on the chip, its name, and its state while the host boots.

    *boot*: floating, pulled up or down by 50 kOhm, or driven high or low.  *active* is the level at which
    its user believes it acts: what `wakebench wiring` compares with the wiring.  *used_by* names a driver
    of the host's kernel that holds the line: no script gets it.
    """

    offset: Annotated[int, Field(ge=0)]
    name: str = ""
    boot: BootState = "float"
    active: Literal["high", "low"] | None = None
    used_by: Annotated[str, Field(max_length=31)] = ""


class UartPins(Section):
    """The header pins of the host's own UART; *rts* and *cts* where it has them."""

    tx: Annotated[str, Field(pattern=r"^\d+$")]
    rx: Annotated[str, Field(pattern=r"^\d+$")]
    rts: Annotated[str, Field(pattern=r"^\d+$")] | None = None
    cts: Annotated[str, Field(pattern=r"^\d+$")] | None = None


class HostSettings(Section):
    """The host that a bench file describes; *lines* maps header pins to GPIO lines."""

    io_volts: Positive = 3.3
    gpio_chip: str = "gpiochip0"
    gpio_lines: Annotated[int, Field(ge=1, le=4096)] = 128
    gpio_base: Annotated[int, Field(ge=0)] = 0
    release: Literal["keep", "revert"] = "keep"
    usb_path: Annotated[str, Field(pattern=r"^[1-9]\d*-[1-9]\d*(\.[1-9]\d*)*$")] = "1-1"
    usb_ports: dict[Literal["at", "data", "nmea", "diag"], Annotated[str, Field(pattern=r"^ttyUSB\d+$")]]
    uart: Annotated[str, Field(pattern=r"^tty[A-Z]+\d+$")] | None = None
    uart_pins: UartPins | None = None
    exec_cost_ms: NotNegative = 0
    usb_autosuspend: bool = True
    lines: dict[Annotated[str, Field(pattern=r"^\d+$")], LineSettings] = Field(default_factory=dict)

    @model_validator(mode="after")
    def _lines_exist_once(self) -> Self:
        offsets: dict[int, str] = {}
        for pin, line in self.lines.items():
            if line.offset >= self.gpio_lines:
                raise ValueError(
                    f"lines.{pin}.offset: {line.offset} is not below gpio_lines = {self.gpio_lines}"
                )
            if line.offset in offsets:
                raise ValueError(f"lines.{pin}.offset: {line.offset} is taken by pin {offsets[line.offset]}")
            offsets[line.offset] = pin
        return self


class HostLine:
    """One line of the chip.  A line on no header pin keeps its level to itself.

    `level` is what the line is driven to, True or False, or None while it is an input; `drive_kind` says how,
    `pull` what holds it while nobody drives it.  `consumer` is who holds the line, "" where nobody does.
    """

    def __init__(self, host: HostLines, offset: int, *, settings: LineSettings, pin: str | None) -> None:
        self.offset, self.name, self.pin, self.boot = offset, settings.name, pin, settings.boot
        self.level: bool | None = None
        self.drive_kind: Drive = "push-pull"
        self.is_claimed = False
        self.consumer = self.used_by = settings.used_by
        self.pull: Pull | None = None
        self._host = host
        self._seen = False
        self._begin()

    def _begin(self) -> None:
        """As the host boots."""
        self.is_claimed, self.level, self.drive_kind = False, None, "push-pull"
        self.pull = "up" if self.boot == "up" else "down" if self.boot == "down" else None

    # -- who holds it -------------------------------------------------------------

    def claim(self, consumer: str) -> bool:
        """*consumer* holds the line from now on; False where somebody does already."""
        if self.consumer:
            return False
        self.consumer = consumer
        return True

    def give_up(self, *, by: str) -> None:
        """Its consumer lets go: see `release`."""
        self.consumer = ""
        self.release(by=by)
        self._host.used.announce((self, "released"))

    # -- what it does -------------------------------------------------------------

    @property
    def direction(self) -> Literal["in", "out"]:
        """Whether the line is an input or an output now."""
        return "in" if self.level is None and not self._is_driven_by_boot else "out"

    @property
    def output(self) -> bool:
        """The level the line is to have as an output; False for an input."""
        return bool(self.level) or (self._is_driven_by_boot and self.boot == "high")

    @property
    def driven(self) -> bool | None:
        """The level that its driver makes now; None where it makes none."""
        if not self.is_claimed:
            return self.boot == "high" if self._is_driven_by_boot else None
        if self.drive_kind == "open-drain" and self.level:
            return None
        if self.drive_kind == "open-source" and not self.level:
            return None
        return self.level

    @property
    def _is_driven_by_boot(self) -> bool:
        return not self.is_claimed and self.boot in ("high", "low")

    def drive(self, level: bool, *, by: str, kind: Drive = "push-pull", bias: Bias = "as-is") -> None:
        """Make the line an output at *level*, in one step."""
        self.is_claimed, self.level, self.drive_kind = True, level, kind
        self._set_bias(bias)
        self._host.settle(self, by)

    def make_input(self, *, by: str, bias: Bias = "as-is") -> None:
        """Make the line an input."""
        self.is_claimed, self.level = True, None
        self._set_bias(bias)
        self._host.settle(self, by)

    def _set_bias(self, bias: Bias) -> None:
        if bias != "as-is":
            self.pull = None if bias == "none" else bias

    def release(self, *, by: str) -> None:
        """Let go of the line: it keeps its level, or goes back to its boot state, as the host does it."""
        if self._host.settings.release == "revert":
            self._begin()
        self._host.settle(self, by)

    def restart(self, *, by: str) -> None:
        """The host boots: nobody holds the line, and it is in its boot state."""
        self.consumer = self.used_by
        self._begin()
        self._host.settle(self, by)

    def read(self) -> bool:
        """The level at the pin now."""
        return self._host.read(self)

    def look(self) -> None:
        """Its pin may have another level: announce it if so."""
        level = self.read()
        if level is not self._seen:
            self._seen = level
            self._host.changed.announce(self)


class HostLines:
    """All lines of the host's chip.

    *place* puts a line's state on its header pin: (pin, level or None, pull or None, by); *sense*
    gives a header pin's level, or None while it floats.  `changed` announces a line that reads another level
    than before, `used` what has become of a line's use, `restarted` that the host has booted.
    """

    def __init__(
        self,
        settings: HostSettings,
        *,
        place: Callable[[str, bool | None, Pull | None, str], None],
        sense: Callable[[str], bool | None],
    ) -> None:
        self.settings = settings
        self.label = settings.gpio_chip
        self.base = settings.gpio_base
        self.count = settings.gpio_lines
        self.changed: Announcement[HostLine] = Announcement()
        self.used: Announcement[tuple[HostLine, Use]] = Announcement()
        self.restarted: Announcement[None] = Announcement()
        self._place, self._sense = place, sense
        by_offset = {line.offset: (pin, line) for pin, line in settings.lines.items()}
        self._lines: dict[int, HostLine] = {}
        self._by_pin: dict[str, HostLine] = {}
        for offset, (pin, line) in by_offset.items():
            host_line = HostLine(self, offset, settings=line, pin=pin)
            self._lines[offset] = self._by_pin[pin] = host_line

    def line(self, offset: int) -> HostLine:
        """The line at *offset*; raises IndexError outside the chip."""
        if not 0 <= offset < self.count:
            raise IndexError(f"{self.label} has lines 0 to {self.count - 1}, not {offset}")
        line = self._lines.get(offset)
        if line is None:
            line = self._lines[offset] = HostLine(
                self, offset, settings=LineSettings(offset=offset), pin=None
            )
        return line

    def on_pin(self, pin: str) -> HostLine | None:
        """The line on header *pin*, if the host has one there."""
        return self._by_pin.get(pin)

    def restart(self, *, by: str = "host") -> None:
        """The host boots: every line is in its boot state, and nobody's."""
        for line in self._lines.values():
            line.restart(by=by)
        self.restarted.announce(None)

    def settle(self, line: HostLine, by: str) -> None:
        """Put the state of *line* on its pin (called by the line)."""
        if line.pin is None:
            line.look()
            return
        driven = line.driven
        self._place(line.pin, driven, line.pull if driven is None else None, by)

    def look(self, pins: Iterable[str]) -> None:
        """The levels of *pins* have changed."""
        for pin in pins:
            line = self._by_pin.get(pin)
            if line is not None:
                line.look()

    def read(self, line: HostLine) -> bool:
        """The level at the pin of *line*; what floats reads low."""
        if line.pin is None:
            return line.pull == "up" if line.driven is None else line.driven
        return bool(self._sense(line.pin))
