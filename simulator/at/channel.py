"""One port that speaks AT: its reader, its session, and the command line under way."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.kernel.timeline import ns

from . import result
from .call import Call
from .errors import CommandError
from .grammar import Form, SyntaxFault, parse
from .reader import CommandLine, LineReader, LineTooLong
from .session import Session

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.timeline import Wakeup
    from simulator.module.port import Port

    from .call import Modem
    from .grammar import Command
    from .reader import Line
    from .registry import Commands, Steps

# What a client may send while a command is under way, before bytes are lost.
_BACKLOG_LIMIT: Final = 4096
# From here on it tells the client to stop, where the port has a line for that.
_CONGESTED_FROM: Final = 3072
# Replies to many lines at once go out in pieces of about this size.
_FLUSHED_FROM: Final = 512


class Channel:
    """The AT side of one port.

    `is_busy` while a command line is under way; `is_closed` once the port speaks no longer.
    """

    def __init__(self, *, port: Port, modem: Modem, commands: Commands, prefixes: str) -> None:
        profile = modem.module.profile
        self.port = port
        self.session = Session(profile.at)
        self._modem, self._known, self._prefixes = modem, commands, prefixes
        self._reader = LineReader(limit=profile.at.line_limit)
        self._afterwards: list[Callable[[], None]] = []
        self._last = CommandLine("")
        self.is_closed = False
        self._backlog = bytearray()
        self._held: list[str] = []
        self._output = bytearray()
        self._commands: tuple[Command | SyntaxFault, ...] = ()
        self._place = 0
        self._call: Call | None = None
        self._steps: Steps | None = None
        self._wakeup: Wakeup | None = None
        self.is_busy = False
        self._is_delayed = profile.delays.reply_s.max > 0
        self._holds = profile.at.hold_unsolicited
        self._ring_ns = ns(profile.at.ring_s)
        self._rings_until_ns = 0

    def close(self) -> None:
        """The port speaks no longer: whatever was under way is lost."""
        if self._wakeup is not None:
            self._wakeup.cancel()
            self._wakeup = None
        self._steps = None
        self.is_busy = False
        self.is_closed = True
        self.port.on_receive = self.port.on_unclogged = None
        self.port.has_carrier = self.port.rings = None
        self.port.congest(on=False)

    def receive(self, data: bytes) -> None:
        """Bytes from the client, however sliced."""
        if self.is_busy or self.port.is_clogged:
            self._keep(data)
            return
        whole = self._reader.take_whole(data)
        if whole is not None and not self._is_delayed:  # nearly always: one plain line, come in one piece
            if self.session.echo:
                self._output += data
            self._start(whole)
            self._flush()
            return
        position, end = 0, len(data)
        while position < end:
            start = position
            position, line = self._reader.take(data, start)
            if self.session.echo:
                self._output += data[start:position]
            if line is None:
                continue
            self._begin(line)
            if len(self._output) > _FLUSHED_FROM:
                self._flush()
            if self._waits():
                self._keep(data[position:])
                break
            if self._is_over():
                return
        self._flush()

    def _waits(self) -> bool:
        """Whether the line just begun is still under way."""
        return self.is_busy or self.port.is_clogged

    def _is_over(self) -> bool:
        """Whether the line just carried out has ended the port's speech."""
        return self.is_closed

    def unsolicited(self, line: str) -> None:
        """Send *line*, or hold it back until the command under way has ended."""
        if self.is_busy and self._holds:
            self._held.append(line)
        else:
            self._say_by_itself(line)

    def _say_by_itself(self, line: str) -> None:
        self._rings_until_ns = self._modem.module.timeline.now_ns + self._ring_ns
        self.port.send(result.extended_result(self.session, line))

    def has_carrier(self) -> bool:
        """Circuit 109: always on under &C0, else on with a data connection (V.250 6.2.8)."""
        return self.session.carrier_detect == 0

    def rings(self) -> bool:
        """Circuit 125: on for a while with each line that the module says by itself."""
        return self._modem.module.timeline.now_ns < self._rings_until_ns

    # -- one command line, from left to right ---------------------------------

    def _begin(self, line: Line) -> None:
        if self._is_delayed:
            module = self._modem.module
            self._wait(
                module.draws.draw_ns("reply", module.profile.delays.reply_s), lambda: self._start(line)
            )
        else:
            self._start(line)

    def _start(self, line: Line) -> None:
        if isinstance(line, CommandLine):
            self._last = line
        elif isinstance(line, LineTooLong):
            self._end(CommandError())
            return
        self._commands, self._place = parse(self._last.body, self._prefixes), 0
        if self._commands:
            self._go_on()
        else:
            self._end(None)

    def _go_on(self) -> None:
        """Carry out the commands that are left, until one waits or fails or all are done."""
        commands = self._commands
        try:
            while True:
                if self._steps is not None:
                    delay_ns = next(self._steps, None)
                    if self.is_closed:  # the port fell silent under the command
                        return
                    if delay_ns is not None:
                        self._wait(delay_ns, self._go_on)
                        return
                    self._steps = None
                if self._call is not None:
                    if self._call.lines:
                        self._output += result.information(self.session, self._call.lines)
                    self._afterwards += self._call.afterwards
                    self._held += self._call.later_lines
                    self._call = None
                if self._place == len(commands):
                    break
                command = commands[self._place]
                self._place += 1
                self._call, self._steps = self._carry_out(command)
                if self.is_closed:
                    return
        except CommandError as fault:
            self._call = self._steps = None
            self._end(fault)
            return
        self._end(None)

    def _carry_out(self, command: Command | SyntaxFault) -> tuple[Call, Steps | None]:
        if isinstance(command, SyntaxFault):
            raise CommandError
        declared = self._known.get(command.name)
        if declared is None:
            raise CommandError
        form = command.form
        if form is Form.TEST and command.name[0] not in "S&" and form not in declared.forms:
            call = Call(modem=self._modem, session=self.session, form=form, values={})
            if declared.test_text:
                call.say(f"{declared.name}: {declared.test_text}")
            return call, None
        if form not in declared.forms:
            raise CommandError
        takes_values = form is Form.SET or form is Form.ACTION or command.name == "S"
        values = declared.read_values(command.values) if takes_values else {}
        call = Call(modem=self._modem, session=self.session, form=form, values=values)
        return call, declared.handler(call)

    def _end(self, fault: CommandError | None) -> None:
        """The final result of the line; then what waited for it."""
        session = self.session
        self._output += result.ok(session) if fault is None else result.error(session, fault.cme)
        if session.has_new_format:
            # V.250 6.2.1: the result of the line that changes S3 already uses the new value.
            session.has_new_format = False
            self._reader.set_format(terminator=session.registers[3], editor=session.registers[5])
        self.is_busy = False
        if self._held or self._afterwards:
            self._flush()
            held, self._held = self._held, []
            for line in held:
                self._say_by_itself(line)
            afterwards, self._afterwards = self._afterwards, []
            for action in afterwards:
                action()

    def _wait(self, delay_ns: int, action: Callable[[], None]) -> None:
        """Be busy for *delay_ns*, then do *action* and take in what came meanwhile."""
        self._flush()
        self.is_busy = True

        def resume() -> None:
            self._wakeup = None
            action()
            if not self.is_busy and not self.is_closed:
                self._flush()
                self._take_backlog()

        self._wakeup = self._modem.module.timeline.call_in(delay_ns, resume)

    def go_on(self) -> None:
        """What was said has gone: take in what has come meanwhile."""
        if not self.is_busy and not self.is_closed:
            self._take_backlog()

    def _keep(self, data: bytes) -> None:
        self._backlog += data[: _BACKLOG_LIMIT - len(self._backlog)]
        if len(self._backlog) > _CONGESTED_FROM:
            self.port.congest(on=True)

    def _take_backlog(self) -> None:
        """Take in what came while a command was under way."""
        backlog = bytes(self._backlog)
        self._backlog.clear()
        self.port.congest(on=False)
        if backlog:
            self.receive(backlog)

    def _flush(self) -> None:
        if self._output:
            data = bytes(self._output)
            self._output.clear()
            self.port.send(data)
