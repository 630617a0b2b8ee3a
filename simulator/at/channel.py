"""One port that speaks AT: its reader, its session, and the command line under way."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from . import result
from .call import Call
from .entry import Prompt, TextEntry
from .errors import ABORTED, CommandError, MessageError
from .grammar import Form, SyntaxFault, parse
from .outgoing import Outgoing
from .reader import CommandLine, LineReader, LineTooLong
from .registry import Awaited
from .session import Session
from .unsolicited import UnsolicitedLines

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.kernel.timeline import Wakeup
    from simulator.module.port import Port

    from .call import Modem
    from .grammar import Command, Dialect
    from .reader import Line
    from .registry import Commands, Steps

# What a client may send while a command is under way, before bytes are lost.
_BACKLOG_LIMIT: Final = 4096
# From here on it tells the client to stop, where the port has a line for that.
_CONGESTED_FROM: Final = 3072
# V.250 5.6.1: what comes so soon after the terminator does not abort the command.
_ABORT_GUARD_NS: Final = 125_000_000
# Replies to many lines at once go out in pieces of about this size.
_FLUSHED_FROM: Final = 512


class Channel:
    """The AT side of one port.

    `is_busy` while a command line is under way; `is_closed` once the port speaks no longer.
    """

    def __init__(self, *, port: Port, modem: Modem, commands: Commands, dialect: Dialect) -> None:
        profile = modem.module.profile
        self.port = port
        self.session = Session(profile.at)
        self._modem, self._known, self._dialect = modem, commands, dialect
        self._quirks = profile.at.quirks
        self._reader = LineReader(limit=profile.at.line_limit, quirks=profile.at.quirks)
        self._unechoed = b""
        self._afterwards: list[Callable[[], None]] = []
        self._last = CommandLine("")
        self.is_closed = False
        self._backlog = bytearray()
        self._lines = UnsolicitedLines(
            send=self._send,
            lose=port.lose,
            session=self.session,
            timeline=modem.module.timeline,
            profile=profile.at,
            may_speak=lambda: not (self.is_busy and self._holds),
        )
        self._reply = Outgoing(port, timeline=modem.module.timeline, profile=profile.at)
        self._output = bytearray()
        self._commands: tuple[Command | SyntaxFault, ...] = ()
        self._place = 0
        self._call: Call | None = None
        self._steps: Steps | None = None
        self._wakeup: Wakeup | None = None
        self._resume: Callable[[], None] | None = None
        self._entry: TextEntry | None = None
        self.is_busy = False
        self._is_delayed = profile.delays.reply_s.max > 0
        self._holds = profile.at.hold_unsolicited
        self._line_ns = 0
        self._abort_from_ns: int | None = None
        self._is_abortable = False

    def close(self) -> None:
        """The port speaks no longer: whatever was under way is lost."""
        if self._wakeup is not None:
            self._wakeup.cancel()
        self._wakeup = self._resume = self._steps = self._abort_from_ns = None
        self._entry = None
        self._lines.close()
        self._reply.close()
        self.is_busy = False
        self.is_closed = True
        self.port.on_receive = self.port.on_unclogged = None
        self.port.has_carrier = self.port.rings = None
        self.port.congest(on=False)

    def receive(self, data: bytes) -> None:
        """Bytes from the client, however sliced."""
        if self.is_busy or self.port.is_clogged:
            self._receive_meanwhile(data)
            return
        whole = self._reader.take_whole(data)
        if whole is not None and not self._is_delayed:  # nearly always: one plain line, come in one piece
            if self.session.echo:
                self._output += data
            self._begin(whole)
            self._flush()
            return
        position, end = 0, len(data)
        while position < end:
            start = position
            position, line = self._reader.take(data, start)
            if self.session.echo:
                self._echo(data[start:position], is_line=line is not None)
            if line is None:
                continue
            self._begin(line)
            if len(self._output) > _FLUSHED_FROM:
                self._flush()
            if self._waits():
                self._receive_meanwhile(data[position:])
                break
            if self._is_over():
                return
        self._flush()

    def _echo(self, data: bytes, *, is_line: bool) -> None:
        if self._quirks.echoes_lines:
            data, self._unechoed = (self._unechoed + data, b"") if is_line else (b"", self._unechoed + data)
            self._unechoed = self._unechoed[-_BACKLOG_LIMIT:]
        self._output += data

    def _waits(self) -> bool:
        """Whether the line just begun is still under way."""
        return self.is_busy or self.port.is_clogged

    def _is_over(self) -> bool:
        """Whether the line just carried out has ended the port's speech."""
        return self.is_closed

    def unsolicited(self, line: str) -> None:
        """Send *line*, when the command under way has ended and the line before it is far enough away."""
        self._lines.say(line)

    def has_carrier(self) -> bool:
        """Circuit 109: always on under &C0, else on with a data connection (V.250 6.2.8).

        And while a message is entered (TS 27.005 3.5.1).
        """
        return self.session.carrier_detect == 0 or self._entry is not None

    def rings(self) -> bool:
        """Circuit 125: on for a while with each line that the module says by itself."""
        return self._lines.rings()

    # -- one command line, from left to right ---------------------------------

    def _begin(self, line: Line) -> None:
        self.is_busy = True
        self._line_ns = self._modem.module.timeline.now_ns
        if self._is_delayed:
            module = self._modem.module
            self._wait(
                module.draws.draw_ns("reply", module.profile.delays.reply_s), lambda: self._start(line)
            )
        else:
            self._start(line)

    def _start(self, line: Line) -> None:
        if self._reply.is_in_pieces:
            self._flush()  # the echo is no part of the reply
        if isinstance(line, CommandLine):
            self._last = line
        elif isinstance(line, LineTooLong):
            self._end(CommandError())
            return
        self._commands, self._place = parse(self._last.body, self._dialect), 0
        if self._quirks.checks_line_first and not all(map(self._is_known, self._commands)):
            self._end(CommandError())
        elif self._commands:
            self._go_on()
        else:
            self._end(None)

    def _is_known(self, command: Command | SyntaxFault) -> bool:
        return not isinstance(command, SyntaxFault) and self._known.get(command.name) is not None

    def _go_on(self) -> None:
        """Carry out the commands that are left, until one waits or fails or all are done."""
        commands = self._commands
        try:
            while self._is_step_done():
                if self._call is not None:
                    self._take_out(self._call)
                if self._place == len(commands):
                    break
                command = commands[self._place]
                self._place += 1
                self._call, self._steps = self._carry_out(command)
            else:
                return
        except CommandError as fault:
            self._call = self._steps = None
            self._end(fault)
            return
        self._end(None)

    def _is_step_done(self) -> bool:
        """Take the command under way one step further; False where it waits, or the port fell silent."""
        if self._steps is not None:
            wanted = next(self._steps, None)
            if wanted is not None and not self.is_closed:
                if isinstance(wanted, Prompt):
                    self._ask(wanted)
                    return False
                if isinstance(wanted, Awaited):
                    self._wait(wanted.limit_ns, self._go_on)
                    wanted.resume = partial(self._hurry, self._wakeup)
                else:
                    self._wait(wanted, self._go_on)
                if self._is_abortable:
                    self._abort_from_ns = self._line_ns + _ABORT_GUARD_NS
                return False
            self._steps = None
        return not self.is_closed

    def _take_out(self, call: Call) -> None:
        """What a command that has ended leaves."""
        if call.lines:
            self._output += result.information(self.session, call.lines)
        self._afterwards += call.afterwards
        self._lines.add(call.later_lines)
        self._call = None

    def _carry_out(self, command: Command | SyntaxFault) -> tuple[Call, Steps | None]:
        if isinstance(command, SyntaxFault):
            raise CommandError
        declared = self._known.get(command.name)
        if declared is None:
            raise CommandError
        form = command.form
        if form is Form.TEST and form not in declared.forms:
            call = Call(modem=self._modem, session=self.session, form=form, values={})
            if declared.test_text:
                call.say(f"{declared.name}: {declared.test_text}")
            return call, None
        if form not in declared.forms:
            raise CommandError
        self._is_abortable = declared.abortable
        takes_values = form is Form.SET or form is Form.ACTION or command.name == "S"
        values = (
            declared.read_values(command.values, nearest=self._quirks.nearest_value) if takes_values else {}
        )
        call = Call(modem=self._modem, session=self.session, form=form, values=values)
        return call, declared.handler(call)

    def _end(self, fault: CommandError | None) -> None:
        """The final result of the line; then what waited for it."""
        session = self.session
        if fault is None:
            self._output += result.ok(session)
        elif isinstance(fault, MessageError):
            self._output += result.message_error(session, fault.cms)
        else:
            self._output += result.error(session, fault.cme)
        if self._reply.takes(self._output):
            self._wakeup = None
            data = bytes(self._output)
            self._output.clear()
            self._reply.say(data, self._said)
        else:
            self._finish()

    def _said(self) -> None:
        """The last of a reply has left."""
        self._finish()
        self.go_on()

    def _finish(self) -> None:
        """The final result is out: new formats count, and what waited for it is done."""
        session = self.session
        if session.has_new_format:
            # V.250 6.2.1: the result of the line that changes S3 already uses the new value.
            session.has_new_format = False
            self._reader.set_format(terminator=session.registers[3], editor=session.registers[5])
        self.is_busy = False
        if self._lines or self._afterwards:
            self._flush()
            self._lines.say_waiting()
            afterwards, self._afterwards = self._afterwards, []
            for action in afterwards:
                action()

    # -- a message being entered ------------------------------------------------

    def _ask(self, prompt: Prompt) -> None:
        """Prompt for a message; from now on what comes is its text."""
        ways = self._modem.module.profile.messages
        shown = ways.prompt.encode("latin-1")
        self._entry = TextEntry(
            prompt,
            shown=shown,
            editor=-1 if self._quirks.no_editing else self.session.registers[5],
            mask=0xFF if self._quirks.eight_bits else 0x7F,
            escape_is_text=ways.quirks.escape_is_text,
        )
        self._send(shown)
        if self._backlog:  # what came before the prompt is text already
            backlog = bytes(self._backlog)
            self._backlog.clear()
            self._enter(self._entry, backlog)

    @property
    def entered(self) -> str | None:
        """What has been entered of a message so far; None where none is being entered."""
        return None if self._entry is None else self._entry.text

    def _enter(self, entry: TextEntry, data: bytes) -> None:
        """Bytes of a message; at its end its command goes on, and what follows is taken in as commands."""
        said, rest = entry.receive(data, echo=self.session.echo)
        self._output += said
        self._flush()
        if rest is None:
            return
        self._entry = None
        messages = self.session.messages
        if messages.routing.mode == 2:  # noqa: PLR2004 # <mode> of +CNMI: kept while the link was reserved
            self._lines.add(messages.kept)
            messages.kept.clear()
        self._keep(rest)
        self._go_on()
        if not self.is_busy and not self.is_closed:
            self._flush()
            self._take_backlog()

    def _wait(self, delay_ns: int, action: Callable[[], None]) -> None:
        """Be busy for *delay_ns*, then do *action* and take in what came meanwhile."""
        self._flush()

        def resume() -> None:
            self._wakeup = self._resume = self._abort_from_ns = None
            action()
            if not self.is_busy and not self.is_closed:
                self._flush()
                self._take_backlog()

        self._resume = resume
        self._wakeup = self._modem.module.timeline.call_in(delay_ns, resume)

    def _hurry(self, wakeup: Wakeup | None) -> None:
        """What *wakeup* was to end has come: it is due now."""
        if wakeup is not None and wakeup is self._wakeup and self._resume is not None:
            wakeup.cancel()
            self._wakeup = self._modem.module.timeline.call_in(0, self._resume)

    def go_on(self) -> None:
        """What was said has gone: say what is left, and take in what has come meanwhile."""
        if not self.port.speaks_at:
            return
        self._reply.go_on()
        if not self.is_busy and not self.is_closed:
            self._take_backlog()

    def _receive_meanwhile(self, data: bytes) -> None:
        """Bytes that come while a line is under way: kept, unless they abort its command (V.250 5.6.1).

        Where it waits for a message, they are its text.
        """
        if self._entry is not None:
            self._enter(self._entry, data)
        elif self._abort_from_ns is None or not data:
            self._keep(data)
        elif self._modem.module.timeline.now_ns < self._abort_from_ns:
            self.port.lose(data)
        else:
            self._abort()
            if not self.is_closed:
                self.receive(data[1:])

    def _abort(self) -> None:
        if self._wakeup is not None:
            self._wakeup.cancel()
        if self._steps is not None:
            self._steps.close()
        self._wakeup = self._resume = self._abort_from_ns = self._call = self._steps = None
        self._end(CommandError(ABORTED))
        self._flush()

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

    def _send(self, data: bytes) -> None:
        """Send *data* after what waits to go out; nothing where Q1 has left nothing of it."""
        self._flush()
        if data:
            self.port.send(data)

    def _flush(self) -> None:
        if self._output:
            data = bytes(self._output)
            self._output.clear()
            self.port.send(data)
