"""The host's GPIO chip as its character device serves it: requests for lines in; values, edges and news out.

One request holds some lines until it is closed; what may not be is refused with the kernel's error.  The
rules are those of gpiolib-cdev.c, from memory: no kernel with real lines was at hand.  Knows no descriptor
and no structure: `gpio_records` has their bytes, an edge brings them to programs.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from . import line_config as flag
from .line_config import LineConfig
from .refusal import fault

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from simulator.board.host import HostLine, HostLines, Use
    from simulator.kernel.timeline import Timeline, Wakeup

# Through which door lines were asked for: the second version's, or one of the first's.
Kind: TypeAlias = Literal["lines", "handle", "event"]

_BY: Final = "script"
_US: Final = 1000
MOST_LINES: Final = 64
# Events that are kept for a reader: so many for each line unless more are asked for, and this many at most.
EVENTS_PER_LINE: Final = 16
MOST_EVENTS: Final = MOST_LINES * EVENTS_PER_LINE
# A holder without a name is shown so.
_NAMELESS: Final = "?"


@dataclass(frozen=True, slots=True)
class LineInfo:
    """What everybody may know of a line."""

    offset: int
    name: str
    consumer: str
    flags: int
    debounce_us: int


@dataclass(frozen=True, slots=True)
class LineEvent:
    """An edge of a line's value: numbered from 1 in its request, and for its line."""

    stamp_ns: int
    is_rising: bool
    offset: int
    number: int
    line_number: int


@dataclass(frozen=True, slots=True)
class InfoChanged:
    """A line's use has changed."""

    info: LineInfo
    stamp_ns: int
    use: Use


class _Line:
    """A line as its requests see it."""

    def __init__(self, line: HostLine) -> None:
        self.host = line
        self.flags = 0
        self.debounce_us = 0
        self.request: LineRequest | None = None
        self.number = 0
        self._settles: Wakeup | None = None
        self._steady = False

    # -- configuration ------------------------------------------------------------

    def configure(self, config: LineConfig, *, timeline: Timeline) -> None:
        """Make it so; without a direction it stays what it is."""
        self._timeline = timeline
        self._forget_edge()
        self.flags = self.debounce_us = 0  # what changes by this is no edge
        if config.flags & flag.OUTPUT:
            self._drive(config.output, config)
        elif config.flags & flag.INPUT:
            self.host.make_input(by=_BY, bias=config.bias)
        self.flags, self.debounce_us = config.flags, config.debounce_us or 0
        self._steady = self.host.read()

    def set(self, value: bool) -> None:
        """As an output it has this value from now on."""
        self._drive(value, LineConfig(self.flags & ~flag.BIAS))

    def _drive(self, value: bool, config: LineConfig) -> None:
        level = value is not bool(config.flags & flag.ACTIVE_LOW)
        self.host.drive(level, by=_BY, kind=config.drive, bias=config.bias)

    def let_go(self) -> None:
        """Nobody holds it any more."""
        self._forget_edge()
        self.request, self.flags, self.debounce_us, self.number = None, 0, 0, 0
        self.host.give_up(by=_BY)

    def forget(self) -> None:
        """The host boots: whoever held it is no more."""
        self._forget_edge()
        self.request = None

    @property
    def is_output(self) -> bool:
        """Whether it is one now."""
        return self.host.direction == "out"

    @property
    def value(self) -> bool:
        """Its level, after debouncing, as its user sees it."""
        level = self._steady if self.debounce_us else self.host.read()
        return level is not bool(self.flags & flag.ACTIVE_LOW)

    def info(self) -> LineInfo:
        """What everybody may know."""
        own = self.flags & ~flag.DIRECTION | (flag.OUTPUT if self.is_output else flag.INPUT)
        used = flag.USED if self.host.consumer else 0
        return LineInfo(self.host.offset, self.host.name, self.host.consumer, own | used, self.debounce_us)

    # -- edges --------------------------------------------------------------------

    def level_changed(self) -> None:
        """The level at the pin is another."""
        if self.request is None or self.is_output:
            return
        if not self.debounce_us:
            self._edge(self.host.read())
            return
        if self._settles is not None:
            self._settles.cancel()
        self._settles = self._timeline.call_in(self.debounce_us * _US, self._settle)

    def _settle(self) -> None:
        self._settles = None
        level = self.host.read()
        if level is not self._steady:
            self._steady = level
            self._edge(level)

    def _edge(self, level: bool) -> None:
        is_rising = level is not bool(self.flags & flag.ACTIVE_LOW)
        if self.request is not None and self.flags & (flag.RISING if is_rising else flag.FALLING):
            self.request.edge(self, is_rising=is_rising)

    def _forget_edge(self) -> None:
        if self._settles is not None:
            self._settles.cancel()
            self._settles = None


class LineRequest:
    """Some lines, held until `close`.

    *kind* says through which door they were asked for, with the powers that it gives: `lines` (second
    version), `handle` or `event` (first).  `on_event` gets each edge; `room` is how many of them may wait
    for a reader.
    """

    def __init__(self, chip: GpioChip, lines: Sequence[_Line], *, kind: Kind, room: int) -> None:
        self.kind, self.room = kind, room
        self.on_event: Callable[[LineEvent], None] = lambda _: None
        self._chip, self._lines = chip, lines
        self._events = 0

    def __len__(self) -> int:
        """How many lines it holds."""
        return len(self._lines)

    @property
    def chip_name(self) -> str:
        """Whose lines they are."""
        return self._chip.name

    @property
    def offsets(self) -> list[int]:
        """Its lines."""
        return [line.host.offset for line in self._lines]

    def values(self) -> list[bool]:
        """The value of each line."""
        return [line.value for line in self._lines]

    def set_values(self, values: Sequence[bool | None]) -> None:
        """Give each line its value (None: leave it); EPERM where one of those is an input."""
        wanted = [(line, value) for line, value in zip(self._lines, values, strict=True) if value is not None]
        if any(not line.is_output for line, _ in wanted):
            raise fault(errno.EPERM)
        for line, value in wanted:
            line.set(value)

    def configure(self, configs: Sequence[LineConfig]) -> None:
        """Make the lines so; one without a direction stays as it is.  EINVAL before any has changed."""
        for config in configs:
            config.check()
        for line, config in zip(self._lines, configs, strict=True):
            if config.flags & flag.DIRECTION:
                line.configure(config, timeline=self._chip.timeline)
                self._chip.lines.used.announce((line.host, "reconfigured"))

    def edge(self, line: _Line, *, is_rising: bool) -> None:
        """One of its lines has an edge that was asked for."""
        self._events += 1
        line.number += 1
        stamp_ns = self._chip.stamp_ns(bool(line.flags & flag.WALL_CLOCK))
        self.on_event(LineEvent(stamp_ns, is_rising, line.host.offset, self._events, line.number))

    def close(self) -> None:
        """Let go of the lines; harmless when called again."""
        lines, self._lines = self._lines, ()
        for line in lines:
            if line.request is self:  # else the host has booted meanwhile
                line.let_go()


class Watch:
    """Whoever wants to hear when the use of some lines changes; *on_change* gets it."""

    def __init__(self, chip: GpioChip, on_change: Callable[[InfoChanged], None]) -> None:
        self.on_change = on_change
        self._chip = chip
        self._offsets: set[int] = set()

    def add(self, offset: int) -> LineInfo:
        """Watch the line from now on; EINVAL for no line, EBUSY for one that is watched already."""
        info = self._chip.info(offset)
        if offset in self._offsets:
            raise fault(errno.EBUSY)
        self._offsets.add(offset)
        return info

    def remove(self, offset: int) -> None:
        """Watch it no longer; EINVAL for no line, EBUSY for one that is not watched."""
        self._chip.info(offset)
        if offset not in self._offsets:
            raise fault(errno.EBUSY)
        self._offsets.discard(offset)

    def hear(self, news: InfoChanged) -> None:
        """The use of a line has changed."""
        if news.info.offset in self._offsets:
            self.on_change(news)

    def close(self) -> None:
        """Hear no more; harmless when called again."""
        self._chip.forget(self)


class GpioChip:
    """The chip of *lines*.  `clock` gives the instant of an event, of the wall clock where it gets True."""

    def __init__(self, lines: HostLines, *, timeline: Timeline) -> None:
        self.lines, self.timeline = lines, timeline
        self.name, self.label, self.count = lines.settings.gpio_chip, lines.label, lines.count
        self.stamp_ns: Callable[[bool], int] = lambda _: timeline.now_ns
        self._lines: dict[int, _Line] = {}
        self._watches: list[Watch] = []
        lines.changed.listen(self._on_level)
        lines.used.listen(self._on_use)
        lines.restarted.listen(self._on_restart)

    def info(self, offset: int) -> LineInfo:
        """What everybody may know of the line; EINVAL for no line."""
        return self._line(offset).info()

    def request(
        self,
        wanted: Sequence[tuple[int, LineConfig]],
        *,
        consumer: str,
        kind: Kind = "lines",
        room: int = 0,
    ) -> LineRequest:
        """Hold lines (offset, config) from now on; EINVAL for what cannot be, EBUSY where one is held.

        Lines are taken one by one: those before the one that is refused have been configured by then, and are
        released again.  *room* 0 stands for the usual number of events.
        """
        if not 0 < len(wanted) <= MOST_LINES:
            raise fault(errno.EINVAL)
        for _, config in wanted:
            config.check()
        taken: list[_Line] = []
        room = min(room or EVENTS_PER_LINE * len(wanted), MOST_EVENTS)
        request = LineRequest(self, taken, kind=kind, room=room)
        try:
            for offset, config in wanted:
                line = self._line(offset)
                if not line.host.claim(consumer or _NAMELESS):
                    raise fault(errno.EBUSY)
                taken.append(line)
                line.request = request
                line.configure(config, timeline=self.timeline)
                self.lines.used.announce((line.host, "requested"))
        except OSError:
            request.close()
            raise
        return request

    def watch(self, on_change: Callable[[InfoChanged], None]) -> Watch:
        """*on_change* will hear of the lines that are added."""
        watch = Watch(self, on_change)
        self._watches.append(watch)
        return watch

    def forget(self, watch: Watch) -> None:
        """It hears no more."""
        if watch in self._watches:
            self._watches.remove(watch)

    def _line(self, offset: int) -> _Line:
        line = self._lines.get(offset)
        if line is None:
            try:
                line = self._lines[offset] = _Line(self.lines.line(offset))
            except IndexError:
                raise fault(errno.EINVAL) from None
        return line

    def _on_level(self, line: HostLine) -> None:
        own = self._lines.get(line.offset)
        if own is not None:
            own.level_changed()

    def _on_use(self, news: tuple[HostLine, Use]) -> None:
        if not self._watches:
            return
        line, use = news
        changed = InfoChanged(self.info(line.offset), self.stamp_ns(False), use)  # noqa: FBT003 # not the wall's
        for watch in list(self._watches):
            watch.hear(changed)

    def _on_restart(self, news: None) -> None:
        """Whoever held a line is gone with the host's programs."""
        del news
        for line in self._lines.values():
            line.forget()
        self._lines.clear()
