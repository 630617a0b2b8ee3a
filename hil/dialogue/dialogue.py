"""Bytes from a modem in, replies and unsolicited lines out; commands in, bytes for it out.

Pure logic: no port and no clock.  However the bytes are sliced, the outcome is the same; memory is
bounded.
"""

from __future__ import annotations

import re
from collections import deque
from typing import TYPE_CHECKING, Final

from .reply import Reply, final_result

if TYPE_CHECKING:
    from collections.abc import Iterable

# A line longer than this is cut there; a flood keeps this many unsolicited lines.
LONGEST_LINE: Final = 65536
MOST_UNSOLICITED: Final = 4096

_LINE_END: Final = re.compile(rb"[\r\n]")
_NAME: Final = re.compile(r"[+*$^%#!@_\\][A-Z][A-Z0-9!%\-./:_]*?(?=[=?;]|$)", re.IGNORECASE)
_ANSWER: Final = re.compile(r"([+*$^%#!@_\\][A-Z][A-Z0-9]*):")
# Messages that a module hands out have a second line: their text or octets (3GPP TS 27.005 3.4.1).
_FOLLOWED: Final = re.compile(r"\+CMT:.*|\+C(?:DS|BM): ?\d+")
# Read answers: <n> and a plain <stat>.  Unsolicited lines: <stat>, then a quoted area at most.
_REGISTRATION: Final = frozenset({"+CREG", "+CGREG", "+CEREG"})
_READ_ANSWER: Final = re.compile(r"\+C\w*REG: ?\d+, ?\d+(?:,.*)?")


class Dialogue:
    """One conversation on one port.

    *announcements* are lines known to be unsolicited though they have no prefix (boot and farewell
    lines).  *verbose* says whether results come in words (V1): then a line that an unsolicited one has cut in
    two is put together again, for each has line ends of its own before and after it (V.250 5.7.1).
    """

    def __init__(self, *, announcements: Iterable[str] = (), verbose: bool = True) -> None:
        self.verbose = verbose
        self.unsolicited: deque[str] = deque(maxlen=MOST_UNSOLICITED)
        self._announcements = frozenset(announcements) | {"RING"}
        self._tail = b""
        self._sent: str | None = None
        self._names: frozenset[str] = frozenset()
        self._echo: str | None = None
        self._lines: list[str] = []
        self._empties = 0
        self._cut: str | None = None
        self._is_followed = False
        self._reply: Reply | None = None

    @property
    def is_waiting(self) -> bool:
        """Whether a command has been sent and its final result has not come."""
        return self._sent is not None

    @property
    def heard(self) -> bytes:
        """What has come of an unfinished reply, for people who look for a cause."""
        return (
            "\r\n".join([*self._lines, *([] if self._cut is None else [self._cut])]).encode(
                "latin-1", "replace"
            )
            + self._tail
        )

    def send(self, command: str) -> bytes:
        """The bytes of *command* (with its AT), whose reply is awaited from now on."""
        self._sent = command
        self._names = frozenset(name.upper() for name in _NAME.findall(command[2:]))
        self._echo = command
        self._lines.clear()
        self._reply = self._cut = None
        return command.encode("latin-1") + b"\r"

    def take_prompt(self) -> bool:
        """Whether the command waits for a message: once, for a prompt with its space or without it."""
        if self._sent is None or self._tail.strip(b" ") != b">":
            return False
        self._tail = b""
        return True

    def send_message(self, text: str, *, end: bytes = b"\x1a") -> bytes:
        """The bytes of a message in one line, which a prompt has asked for, with *end* (Ctrl-Z)."""
        self._echo = text
        return text.encode("latin-1") + end

    def abandon(self) -> None:
        """Await the reply no longer."""
        self._sent = self._cut = None
        self._lines.clear()

    def receive(self, data: bytes) -> None:
        """Take *data*."""
        *lines, self._tail = _LINE_END.split(self._tail + data)
        self._tail = self._tail[:LONGEST_LINE]
        for line in lines:
            if line:
                self._take(line[:LONGEST_LINE].decode("latin-1"))
                self._empties = 0
            else:
                self._empties += 1

    @property
    def has_reply(self) -> bool:
        """Whether the reply has come and was not taken yet."""
        return self._reply is not None

    def take_reply(self) -> Reply | None:
        """The reply, once; None while it has not come."""
        reply, self._reply = self._reply, None
        return reply

    def _take(self, line: str) -> None:
        is_second, self._is_followed = self._is_followed and self._empties <= 1, False
        if self._sent is None or is_second:
            self._add_unsolicited(line, may_be_followed=not is_second)
            return
        if self._is_unsolicited(line):
            self._cut_by(line)
            return
        line = self._mended(line)
        if line == self._echo:
            self._echo = None
            return
        result = final_result(line, verbose=self.verbose)
        if result is None:
            self._lines.append(line)
            return
        self._reply = Reply(lines=tuple(self._lines), result=result)
        self.abandon()

    def _add_unsolicited(self, line: str, *, may_be_followed: bool) -> None:
        self.unsolicited.append(line)
        self._is_followed = may_be_followed and _FOLLOWED.fullmatch(line) is not None

    def _cut_by(self, unsolicited: str) -> None:
        """What stood right before an unsolicited line, without a line end of its own, may be half a line."""
        self._add_unsolicited(unsolicited, may_be_followed=True)
        if self.verbose and self._empties == 1 and self._cut is None and self._lines:
            self._cut = self._lines.pop()

    def _mended(self, line: str) -> str:
        """*line* with its first half, if it is a second one."""
        cut, self._cut = self._cut, None
        if cut is None:
            return line
        if self._empties == 1:
            return cut + line
        self._lines.append(cut)
        return line

    def _is_unsolicited(self, line: str) -> bool:
        if line in self._announcements:
            return True
        answer = _ANSWER.match(line)
        if answer is None or line.startswith(("+CME ERROR", "+CMS ERROR")):
            return False
        name = answer[1].upper()
        if name not in self._names:
            return True
        return name in _REGISTRATION and not _is_registration_answer(line, self._sent or "")


def _is_registration_answer(line: str, sent: str) -> bool:
    return "=?" in sent or _READ_ANSWER.fullmatch(line) is not None
