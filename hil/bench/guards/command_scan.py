"""The body of a command line in, every command that any module might find in it out.

Reads more into a line than ITU-T V.250 5.3 does, never less: a guard that is stricter than the module is
harmless, one that is laxer is none.  Knows no rule.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from collections.abc import Iterator

PREFIXES: Final = "+*$^%#!@_\\"
_NAME: Final = re.compile(r"[A-Z][A-Z0-9]*")
_BASIC: Final = re.compile(r"&?[A-Z][0-9]*")
_S_PARAMETER: Final = re.compile(r"S([0-9]+)(=[0-9]*|\?)?")
_VALUE: Final = re.compile(r'\s*(?:"([^"]*)"?|([^,]*))\s*(?:,|$)')


class Found(NamedTuple):
    """One command: *name* in capitals (`D`, `S3`, `+CPIN`), and the *text* after it."""

    name: str
    text: str

    @property
    def asks_only(self) -> bool:
        """Whether it is the test or the read form, which change nothing."""
        return self.text in ("?", "=?")

    @property
    def values(self) -> list[str]:
        """The values after `=`, without quotes; those left out are empty."""
        if not self.text.startswith("="):
            return []
        rest, found = self.text[1:], []
        position = 0
        while position <= len(rest):
            match = _VALUE.match(rest, position)
            if match is None:
                break
            found.append(match[1] if match[1] is not None else match[2].strip())
            if match.end() == position or not rest[: match.end()].endswith(","):
                break
            position = match.end()
        return found

    def value(self, index: int) -> str:
        """One value; empty where it was left out."""
        values = self.values
        return values[index] if index < len(values) else ""


def scan(body: str) -> list[Found]:
    """The commands of *body*; those of a line with a quote too many, both with and without heeding quotes."""
    found = list(_commands(body, quoting=True))
    if body.count('"') % 2:
        found += [one for one in _commands(body, quoting=False) if one not in found]
    return found


def _commands(body: str, *, quoting: bool) -> Iterator[Found]:
    text = _without_spaces(body, quoting=quoting)
    capitals = text.upper()
    position, end = 0, len(text)
    while position < end:
        if text[position] in PREFIXES:
            stop = _segment_end(text, position, quoting=quoting)
            name = _NAME.match(capitals, position + 1)
            if name is not None:
                yield Found(text[position] + name[0], text[name.end() : stop])
            position = stop + 1
        elif capitals[position] == "D":
            stop = _segment_end(text, position, quoting=quoting)
            yield Found("D", text[position + 1 : stop])
            position = stop + 1
        elif (parameter := _S_PARAMETER.match(capitals, position)) is not None:
            yield Found(f"S{int(parameter[1])}", parameter[2] or "")
            position = parameter.end()
        elif (basic := _BASIC.match(capitals, position)) is not None:
            letters = basic[0].rstrip("0123456789")
            yield Found(letters, basic[0][len(letters) :])
            position = basic.end()
        else:  # nothing that V.250 knows: a module may give up here or go on, so it is gone on
            position += 1


def _without_spaces(body: str, *, quoting: bool) -> str:
    if not quoting:
        return body.replace(" ", "")
    pieces = body.split('"')
    return '"'.join(piece if number % 2 else piece.replace(" ", "") for number, piece in enumerate(pieces))


def _segment_end(text: str, position: int, *, quoting: bool) -> int:
    """Where the command that begins at *position* ends: at the next semicolon, or with the line."""
    in_quotes = False
    for place in range(position, len(text)):
        if text[place] == '"' and quoting:
            in_quotes = not in_quotes
        elif text[place] == ";" and not in_quotes:
            return place
    return len(text)
