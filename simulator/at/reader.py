"""Bytes from the host in, whole command lines and the echo out (ITU-T V.250 5.2).

Pure logic: no clock, no port.  One reader serves one port.  It knows nothing of what a line means.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from functools import lru_cache
from typing import Final, NamedTuple

from simulator.module.at_quirks import AtQuirks

CR: Final = 13
BACKSPACE: Final = 8

# A whole line with nothing to mend in it, as almost every client sends it.
_PLAIN_LINE: Final = re.compile(rb"[Aa][Tt]([\x20-\x7e]*)\r")
_PRINTABLE_FROM: Final = 0x20


class CommandLine(NamedTuple):
    """The body of one command line, without prefix and terminator."""

    body: str


@dataclass(frozen=True, slots=True)
class RepeatLine:
    """`A/`: the last line once more."""


@dataclass(frozen=True, slots=True)
class LineTooLong:
    """A line past the limit; what it said is lost (V.250 5.2.1: one ERROR)."""


Line = CommandLine | RepeatLine | LineTooLong

_NO_PREFIX: Final = 0
_SEEN_A: Final = 1
_IN_BODY: Final = 2


@lru_cache(maxsize=512)
def _plain_line(data: bytes) -> CommandLine | None:
    plain = _PLAIN_LINE.fullmatch(data)
    return None if plain is None else CommandLine(plain[1].decode("ascii"))


class LineReader:
    """Finds command lines however the bytes are sliced; memory is bounded by *limit* characters.

    S3 and S5 are set by `set_format`.  Only seven bits of a byte count; control characters left in
    a line are ignored (V.250 5.2.2).  *quirks* say in what the module differs.
    """

    def __init__(self, *, limit: int, quirks: AtQuirks | None = None) -> None:
        quirks = quirks or AtQuirks()
        self._quirks = quirks
        self._mask = 0xFF if quirks.eight_bits else 0x7F
        self._set(CR, BACKSPACE)
        self._limit = limit
        self._state = _NO_PREFIX
        self._body = bytearray()
        self._is_too_long = False

    def set_format(self, *, terminator: int, editor: int) -> None:
        """From now on S3 is *terminator* and S5 *editor*."""
        if not self._quirks.fixed_format:
            self._set(terminator, editor)

    def _set(self, terminator: int, editor: int) -> None:
        self._terminator = terminator
        self._editor = -1 if self._quirks.no_editing else editor
        takes_small = not self._quirks.prefix_in_capitals_only
        self._takes_plain = takes_small and terminator == CR and editor < _PRINTABLE_FROM

    def take_whole(self, data: bytes) -> CommandLine | None:
        """The line that *data* is, where it is one plain line and nothing else; otherwise None."""
        if self._state != _NO_PREFIX or not self._takes_plain or len(data) > self._limit:
            return None
        return _plain_line(data)

    def take(self, data: bytes, start: int) -> tuple[int, Line | None]:
        """Read *data* from *start* up to the end of one line; where it stopped, and the line if it ended."""
        if self._state == _NO_PREFIX and self._takes_plain:
            plain = _PLAIN_LINE.match(data, start)
            if plain is not None and plain.end() - plain.start() <= self._limit:
                return plain.end(), CommandLine(plain[1].decode("ascii"))
        for position in range(start, len(data)):
            line = self._receive(data[position] & self._mask)
            if line is not None:
                return position + 1, line
        return len(data), None

    def _receive(self, character: int) -> Line | None:
        if self._state == _IN_BODY:
            return self._receive_body(character)
        letter = chr(character)
        if not self._quirks.prefix_in_capitals_only:
            letter = letter.upper()
        if letter == "A":
            self._state = _SEEN_A
        elif self._state == _SEEN_A and letter == "T":
            self._state = _IN_BODY
            self._body.clear()
            self._is_too_long = False
        elif self._state == _SEEN_A and letter == "/":
            self._state = _NO_PREFIX
            return None if self._quirks.no_repeat else RepeatLine()
        else:
            self._state = _NO_PREFIX
        return None

    def _receive_body(self, character: int) -> Line | None:
        # V.250 5.2.2: a character is compared with S3 first, then with S5, then taken for the line.
        if character == self._terminator:
            self._state = _NO_PREFIX
            return LineTooLong() if self._is_too_long else CommandLine(self._body.decode("latin-1"))
        if character == self._editor:
            if self._body:
                del self._body[-1]
        elif character >= _PRINTABLE_FROM:
            if len(self._body) >= self._limit:
                self._is_too_long = True
            else:
                self._body.append(character)
        return None
