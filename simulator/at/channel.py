"""One port that speaks AT: its reader, its session, and the command line under way."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from . import result
from .errors import CommandError
from .grammar import Form, SyntaxFault, parse
from .reader import CommandLine, LineReader, LineTooLong
from .result import Result
from .session import Session

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator

    from simulator.kernel.timeline import Wakeup
    from simulator.module.port import Port

    from .engine import AtEngine
    from .grammar import Command
    from .reader import Line
    from .registry import Steps, Value

# What a client may send while a command is under way, before bytes are lost.
_BACKLOG_LIMIT: Final = 4096


class Call:
    """One command being carried out: what was asked, and what it may touch."""

    __slots__ = ("channel", "engine", "form", "lines", "session", "values")

    def __init__(self, channel: Channel, form: Form, values: dict[str, Value]) -> None:
        self.channel, self.form, self.values = channel, form, values
        self.engine, self.session = channel.engine, channel.session
        self.lines: list[str] = []

    def say(self, line: str) -> None:
        """Add a line of information text."""
        self.lines.append(line)

    def number(self, name: str) -> int:
        """A value that is declared as a number with a default or as required."""
        value = self.values[name]
        if not isinstance(value, int):
            raise CommandError
        return value

    def text(self, name: str) -> str | None:
        """A value that is declared as a text; None where it was left out."""
        value = self.values[name]
        return None if value is None else str(value)

    def afterwards(self, action: Callable[[], None]) -> None:
        """Do *action* once the final result of the line is out."""
        self.channel.afterwards.append(action)


class Channel:
    """The AT side of one port."""

    def __init__(self, *, port: Port, engine: AtEngine) -> None:
        self.port, self.engine = port, engine
        self.session = Session(engine.module.profile.at)
        self.afterwards: list[Callable[[], None]] = []
        self._reader = LineReader(limit=engine.module.profile.at.line_limit)
        self._last: CommandLine | None = None
        self._backlog = bytearray()
        self._held: list[str] = []
        self._output = bytearray()
        self._run: Iterator[int] | None = None
        self._wakeup: Wakeup | None = None
        delay = engine.module.profile.delays.reply_s
        self._is_delayed = delay.max > 0
        self._holds = engine.module.profile.at.hold_unsolicited

    @property
    def is_busy(self) -> bool:
        """Whether a command line is under way."""
        return self._run is not None

    def close(self) -> None:
        """The port speaks no longer: whatever was under way is lost."""
        if self._wakeup is not None:
            self._wakeup.cancel()
            self._wakeup = None
        self._run = None
        self.port.on_receive = None

    def receive(self, data: bytes) -> None:
        """Bytes from the client, however sliced."""
        if self._run is not None:
            self._backlog += data[: _BACKLOG_LIMIT - len(self._backlog)]
            return
        position, end = 0, len(data)
        while position < end:
            start = position
            position, line = self._reader.take(data, start)
            if self.session.echo:
                self._output += data[start:position]
            if line is not None:
                self._begin(line)
                if self.is_busy:
                    self._backlog += data[position : position + _BACKLOG_LIMIT]
                    break
                if self.port.on_receive is None:
                    return
        self._flush()

    def unsolicited(self, line: str) -> None:
        """Send *line*, or hold it back until the command under way has ended."""
        if self._run is not None and self._holds:
            self._held.append(line)
        else:
            self.port.send(result.extended_result(self.session, line))

    def _begin(self, line: Line) -> None:
        run = self._carry_out(line)
        if self._is_delayed:
            self._flush()
        self._advance(run)

    def _advance(self, run: Iterator[int]) -> None:
        """Go on until the line has ended or waits."""
        self._run = run
        delay_ns = next(run, None)
        if not self.is_busy:  # the port fell silent under the command
            return
        if delay_ns is None:
            self._run = None
            self._end()
        else:
            self._flush()
            self._wakeup = self.engine.module.timeline.call_in(delay_ns, self._resume)

    def _resume(self) -> None:
        self._wakeup = None
        run = self._run
        if run is None:
            return
        self._advance(run)
        if not self.is_busy and self.port.on_receive is not None:
            self._flush()
            backlog = bytes(self._backlog)
            self._backlog.clear()
            if backlog:
                self.receive(backlog)

    def _end(self) -> None:
        if not (self._held or self.afterwards):
            return
        self._flush()
        held, self._held = self._held, []
        for line in held:
            self.port.send(result.extended_result(self.session, line))
        afterwards, self.afterwards = self.afterwards, []
        for action in afterwards:
            action()

    def _flush(self) -> None:
        if self._output:
            data = bytes(self._output)
            self._output.clear()
            self.port.send(data)

    def _carry_out(self, line: Line) -> Iterator[int]:
        """Carry out one line; yields the waits of its commands."""
        if self._is_delayed:
            module = self.engine.module
            yield module.draws.draw_ns("reply", module.profile.delays.reply_s)
        session, output = self.session, self._output
        if isinstance(line, LineTooLong):
            output += result.error(session, None)
            return
        if not isinstance(line, CommandLine):
            line = self._last or CommandLine("")
        self._last = line
        for command in parse(line.body, self.engine.prefixes):
            try:
                if isinstance(command, SyntaxFault):
                    raise CommandError  # noqa: TRY301 # one place that ends a line
                call, steps = self._call(command)
                if steps is not None:
                    yield from steps
            except CommandError as fault:
                output += result.error(session, fault.cme)
                break
            if call.lines:
                output += result.information(session, call.lines)
        else:
            output += result.result(session, Result.OK)
        # V.250 6.2.1: the result of the line that changes S3 already uses the new value.
        self._reader.terminator, self._reader.editor = session.registers[3], session.registers[5]

    def _call(self, command: Command) -> tuple[Call, Steps | None]:
        declared = self.engine.commands.get(command.name)
        if declared is None:
            raise CommandError
        form = command.form
        if form is Form.TEST and command.name[0] not in "S&" and form not in declared.forms:
            call = Call(self, form, {})
            if declared.test_text:
                call.say(f"{declared.name}: {declared.test_text}")
            return call, None
        if form not in declared.forms:
            raise CommandError
        values = declared.read_values(command.values) if form in (Form.SET, Form.ACTION) else {}
        if command.name == "S" and form is Form.READ:
            values = declared.read_values(command.values)
        call = Call(self, form, values)
        return call, declared.handler(call)
