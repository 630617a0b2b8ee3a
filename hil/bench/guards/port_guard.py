"""Bytes on the way to a port in, the bytes that may go on out; what the module answers is heard too.

Sans-I/O: no port, no clock.  It follows the module's own reading of lines (ITU-T V.250 5.2), and where
modules differ or the guard cannot know, every way of reading counts: seven bits and eight, with and without
editing, each terminator that was ever set, a line whose beginning the module has missed.  A line is held back
from where it could become one that is watched until its terminator; a message, until what ends it.
"""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Final

from hil.errors import GuardRefusedError

from .command_scan import PREFIXES
from .line_readings import LOOSE_AT, bodies, repeats, texts
from .pdu_destination import destinations
from .rules import Ask

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence

    from .permits import Permits
    from .rules import RuleBook

CR, BACKSPACE, ESCAPE, SUBSTITUTE = 13, 8, 27, 26

# Of a line that never ends, so much is kept: no module takes a longer one.
_LONGEST: Final = 70_000
# Of what the module says, so much is looked back at.
_TAIL: Final = 4096

# A whole line with nothing to mend in it, as almost every client sends it.
_PLAIN_LINE: Final = re.compile(rb"[Aa][Tt]([\x20-\x7e]*)\r\n?")
_HARMLESS_PART: Final = re.compile(r"(?:[^D+*$^%#!@_\\]|&D)*", re.IGNORECASE)
_FINAL: Final = re.compile(
    rb"(?:\A|[^A-Za-z0-9])"
    rb"(OK|ERROR|\+CM[ES] ERROR:[^\r\n]*|NO CARRIER|BUSY|NO ANSWER|CONNECT)(?=[^A-Za-z0-9]|\Z)"
)
_PROMPT: Final = re.compile(rb"\r\n> ")
_TRIES: Final = re.compile(rb"[\r\n]\+CPINR: ?\"?SIM PIN\"?, ?([0-9]+)")


# A line whose echo cannot be taken for anything that a module says.
_TELLING: Final = re.compile(rb"[\n\0]*[Aa][Tt][\x20-\x39\x3b-\x3d\x3f-\x7e]*")


@dataclass(slots=True)
class _Line:
    """A line that has gone to the module and is not answered yet.

    Its answer is *trusted* only where no echo can be mistaken for it: nothing else was sent meanwhile.
    """

    asks: Sequence[Ask]
    is_trusted: bool


@dataclass(slots=True)
class _Message:
    """A command that asks for the text of a message has gone: what follows may be that text."""

    ask: Ask
    is_prompted: bool = False
    content: bytearray = field(default_factory=bytearray)


class PortGuard:
    """One port's way to the module; *permits* decides what the bench allows.

    `pass_on` yields what may go on now and raises GuardRefusedError (`permits` makes it) at what may not;
    then what `left_over` returns has to be sent, which clears what the module has of the refused line.
    """

    def __init__(self, permits: Permits, rules: RuleBook) -> None:
        self._permits, self._rules = permits, rules
        self._terminators = {CR}
        self._editors: set[int] = {BACKSPACE}
        self._last: tuple[Ask, ...] | None = None
        self.begin_anew()

    def begin_anew(self) -> None:
        """The module or the port begins anew; what the module remembers of the last line is not known."""
        self._raw: dict[int, bytearray] = {terminator: bytearray() for terminator in self._terminators}
        self._held = bytearray()
        self._has_sent_part = False
        self._message: _Message | None = None
        self._unanswered: list[_Line] = []
        self._tail = b""
        self._mode = ""
        self._left_over = b""

    # -- to the module ----------------------------------------------------------------------

    def pass_on(self, data: bytes) -> Iterator[bytes]:
        """What of *data* and of what was held back may go to the module now."""
        try:
            yield from self._pass_on(data)
        except GuardRefusedError:
            self._left_over = self._forget_line()
            raise

    def _pass_on(self, data: bytes) -> Iterator[bytes]:
        if self._message is None and self._is_clean and (plain := _PLAIN_LINE.fullmatch(data)) is not None:
            body = plain[1].decode("ascii")
            if LOOSE_AT.search(body) is None:
                self._trust_no_longer()
                self._judge([body], data.rstrip(b"\r\n"))
                yield data
                return
        self._trust_no_longer()
        for place, byte in enumerate(data, 1):
            ready = self._take(byte)
            if ready and data[place:].strip(b"\n\0"):
                self._trust_no_longer()
            if ready:
                yield ready
        if self._held and self._may_go_on():
            self._has_sent_part = True
            yield bytes(self._held)
            self._held.clear()

    def _trust_no_longer(self) -> None:
        """Something else is sent before the answer has come: its echo could look like one."""
        for line in self._unanswered:
            line.is_trusted = False

    def left_over(self) -> bytes:
        """What ends the part of a refused line, or message, that the module has already; empty once taken."""
        found, self._left_over = self._left_over, b""
        return found

    def _forget_line(self) -> bytes:
        message, had_part = self._message, self._has_sent_part
        self._held.clear()
        self._has_sent_part = False
        self._message = None
        for raw in self._raw.values():
            raw.clear()
        if message is not None and (message.is_prompted or message.content):
            return bytes([ESCAPE])
        return bytes(sorted(self._terminators)) if had_part else b""

    @property
    def _is_clean(self) -> bool:
        usual = self._terminators == {CR} and self._editors == {BACKSPACE}
        return usual and not self._held and not self._raw[CR].strip(b"\r\n\0")

    def _take(self, byte: int) -> bytes:
        if self._message is not None:
            ready = self._take_in_message(self._message, byte)
            if ready is not None:
                return ready
        self._held.append(byte)
        seven = byte & 0x7F
        if seven == ord("/") and any(repeats(bytes(raw), self._editors) for raw in self._raw.values()):
            self._judge_repeat()
            for raw in self._raw.values():
                raw.clear()
            return self._take_held()
        ended = False
        for terminator in list(self._raw):
            if terminator in (byte, seven):
                line = bytes(self._raw[terminator])
                self._judge(bodies(line, self._editors), line)
                self._raw.setdefault(terminator, bytearray()).clear()
                ended = True
            else:
                pending = self._raw[terminator]
                pending.append(byte)
                if len(pending) > _LONGEST:
                    del pending[: len(pending) - _LONGEST]
        if not ended:
            return b""
        self._has_sent_part = False
        return self._take_held()

    def _take_held(self) -> bytes:
        held = bytes(self._held)
        self._held.clear()
        return held

    def _may_go_on(self) -> bool:
        """Whether what is held back of a line cannot become one that is watched, however it goes on."""
        if self._message is not None and self._message.is_prompted:
            return self._message.ask.mode == "text"
        return all(self._is_harmless(bytes(raw)) for raw in self._raw.values())

    def _is_harmless(self, raw: bytes) -> bool:
        for text in texts(raw, self._editors):
            for at in LOOSE_AT.finditer(text):
                if not self._is_harmless_body(text[at.end() :]):
                    return False
        return True

    def _is_harmless_body(self, body: str) -> bool:
        *whole, last = body.split(";")
        if any(self._rules.asks(part) for part in whole):
            return False
        start = last.replace(" ", "").upper()
        begins = next((place for place, one in enumerate(start) if one in PREFIXES), None)
        basic = start if begins is None else start[:begins]
        if _HARMLESS_PART.fullmatch(basic) is None:
            return False
        return begins is None or not self._could_be_watched(start[begins:])

    def _could_be_watched(self, start: str) -> bool:
        name = re.match(r".[A-Z0-9]*", start)
        found = name[0] if name else start
        is_whole = found != start
        return any(one == found if is_whole else one.startswith(found) for one in self._rules.watched)

    # -- judgement --------------------------------------------------------------------------

    def _judge(self, bodies: Sequence[str], raw: bytes) -> None:
        """Let the line *raw* pass, or raise; each way of reading it counts."""
        asked = [self._rules.asks(body) for body in bodies]
        heaviest = max(asked, key=len, default=())
        for asks in asked:
            self._permit(asks, spend=False)
        self._permit(heaviest, spend=True)
        for body in bodies:
            self._follow_format(body)
        if bodies:
            is_telling = _TELLING.fullmatch(raw) is not None and _FINAL.search(raw + b" ") is None
            self._pass_line(heaviest, trusted=is_telling)

    def _judge_repeat(self) -> None:
        if self._last is None:
            self._permits.refuse(
                "commands", "A/", "the line that it repeats is not known", "send that line itself"
            )
        else:
            self._permit(self._last, spend=False)
            self._permit(self._last, spend=True)
            self._pass_line(self._last, trusted=False)

    def _pass_line(self, asks: tuple[Ask, ...], *, trusted: bool) -> None:
        self._last = asks
        self._unanswered.append(_Line(asks, trusted))
        del self._unanswered[:-64]
        self._tail = b""
        if any(ask.kind == "mode" for ask in asks):
            self._mode = ""
        prompt = next((ask for ask in asks if ask.kind == "prompt"), None)
        if prompt is not None:
            self._message = _Message(prompt)

    def _permit(self, asks: Sequence[Ask], *, spend: bool) -> None:
        sends = next((ask for ask in asks if ask.kind == "prompt" and ask.reason == "send"), None)
        if sends is not None and sends.mode != self._mode:
            wanted = "1" if sends.mode == "text" else "0"
            self._permits.refuse(
                "numbers",
                "a message",
                f"whether the module is in {sends.mode} mode is not known",
                f"send AT+CMGF={wanted} first and wait for OK (with words: ATV1)",
            )
        # In PDU mode the number comes later, with the PDU.
        known = [ask for ask in asks if not (ask.kind == "message" and not ask.number)]
        self._permits.permit(known, spend=spend)

    def _follow_format(self, body: str) -> None:
        """S3 and S5 (V.250 6.2.1, 6.2.3): a new value counts beside those before."""
        for register, value in re.findall(r"S\s*0*([35])\s*=\s*([0-9]+)", body, re.IGNORECASE):
            character = int(value) & 0x7F
            if register == "3" and character not in self._terminators:
                self._terminators.add(character)
                self._raw[character] = bytearray()
            elif register == "5":
                self._editors.add(character)

    # -- messages ---------------------------------------------------------------------------

    def _take_in_message(self, message: _Message, byte: int) -> bytes | None:
        """A byte that may belong to a message; None where it counts as one of a line too."""
        message.content.append(byte)
        seven = byte & 0x7F
        if seven == ESCAPE:
            self._end_message()
            return bytes([*self._take_held(), byte]) if message.is_prompted else None
        if seven == SUBSTITUTE:
            self._judge_content(message)
            if not message.is_prompted and not self._may_go_on():
                self._permits.refuse(
                    "commands",
                    "the end of a message",
                    "the module has not asked for the text yet, and could take it for a command line",
                    "wait for the prompt before the text is sent",
                )
            self._end_message()
            return bytes([*self._take_held(), byte])
        if not message.is_prompted:
            return None
        if message.ask.mode == "pdu":
            self._held.append(byte)
            return b""
        return bytes([*self._take_held(), byte])

    def _end_message(self) -> None:
        self._message = None
        for raw in self._raw.values():
            raw.clear()

    def _judge_content(self, message: _Message) -> None:
        ask = message.ask
        if ask.mode != "pdu" or ask.reason != "send":
            return
        text = bytes(byte & 0x7F for byte in message.content[:-1]).decode("ascii")
        try:
            numbers = destinations("".join(text.split()), length=ask.length)
        except ValueError as error:
            self._permits.refuse(
                "numbers", "a message PDU", str(error), "send a PDU whose receiver can be read"
            )
        else:
            for number in numbers:
                self._permits.permit([Ask("message", number=number)], spend=False)
            self._permits.permit([Ask("message", number=numbers.pop())], spend=True)

    # -- from the module --------------------------------------------------------------------

    def heard(self, data: bytes) -> None:
        """What the module says: prompts, results, and how many tries the card has left."""
        self._tail = (self._tail + data)[-_TAIL:]
        self._hear_tries()
        trusted = len(self._unanswered) == 1 and self._unanswered[0].is_trusted
        message = self._message
        is_asked = message is not None and not message.content.strip(b"\n\0")
        if message is not None and trusted and is_asked and _PROMPT.search(self._tail):
            message.is_prompted = True
        end = 0
        for found in _FINAL.finditer(self._tail):
            if found.end() == len(self._tail) and found[1] != b"CONNECT":
                break  # a longer word may be on its way
            end = found.end()
            self._hear_result(found[1])
        self._tail = self._tail[end:]

    def _hear_tries(self) -> None:
        lines = [line for line in self._unanswered if line.is_trusted]
        if len(self._unanswered) != 1 or not any(ask.kind == "tries" for line in lines for ask in line.asks):
            return
        for found in _TRIES.finditer(self._tail):
            self._permits.tries_are(min(int(found[1]), 3))

    def _hear_result(self, result: bytes) -> None:
        if self._message is not None:
            # The command was refused, or the module gave up waiting; a text may echo a result, so what
            # follows counts as a line and as a message.
            if self._message.is_prompted:
                self._message.is_prompted = False
            else:
                self._message = None
        if len(self._unanswered) == 1 and self._unanswered[0].is_trusted:
            self._confirm(self._unanswered[0].asks, ok=result == b"OK")
        elif any(ask.kind == "mode" for line in self._unanswered for ask in line.asks):
            self._mode = ""
        self._unanswered.clear()

    def _confirm(self, asks: Sequence[Ask], *, ok: bool) -> None:
        for ask in asks:
            if ask.kind == "mode":
                self._mode = ask.mode if ok else ""
            elif ask.kind == "pin" and ok:
                self._permits.pin_was_right()
