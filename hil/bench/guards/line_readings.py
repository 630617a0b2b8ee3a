"""The bytes of one line in, every text that a module may see in it out (ITU-T V.250 5.2).

Where modules differ, or nobody can know, every reading counts: seven bits and eight, with and without
editing, a prefix with spaces in it, a line whose beginning the module has missed.  Knows no rule.
"""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Collection

_SEVEN_BITS: Final = 0x7F
_PRINTABLE_FROM: Final = 0x20
_FIRST_AT: Final = re.compile(r"AT", re.IGNORECASE)
# Where a line begins for a module that has missed what was before, or takes spaces within the prefix.
LOOSE_AT: Final = re.compile(r"A\s*T", re.IGNORECASE)
# What then counts: a command with a name, or basic commands (V.250 5.3.1) and a number that is dialled.
_LOOSE_BODY: Final = re.compile(
    r"\s*(?:[BCE-Z][\s0-9]*|&\s*[A-Z][\s0-9]*|S[\s0-9]+(?:=[\s0-9]*|\?))*\s*"
    r"(?:[+*$^%#!@_\\]|D[\sTPW,\"]*(?:[0-9+*#>]|L\s*;?\s*$|S\s*=))",
    re.IGNORECASE,
)
_REPEAT: Final = re.compile(r"A\s*/\Z", re.IGNORECASE)


def texts(raw: bytes, editors: Collection[int]) -> set[str]:
    """The texts that a module might see: by the bits that count and by how it edits."""
    found = {_edited(raw, -1)} | {_edited(raw, editor) for editor in editors if editor in raw}
    if any(byte > _SEVEN_BITS for byte in raw):
        found |= texts(bytes(byte & _SEVEN_BITS for byte in raw), editors)
    return found


def bodies(raw: bytes, editors: Collection[int]) -> list[str]:
    """Every body of a command line that *raw* may hold."""
    found: dict[str, None] = {}
    for text in sorted(texts(raw, editors)):
        first = _FIRST_AT.search(text)
        if first is not None:
            found[text[first.end() :]] = None
        for loose in LOOSE_AT.finditer(text):
            body = text[loose.end() :]
            if _LOOSE_BODY.match(body):
                found[body] = None
    return list(found)


def repeats(raw: bytes, editors: Collection[int]) -> bool:
    """Whether a slash after *raw* makes `A/`: with no prefix of a line before it."""
    for text in texts(raw + b"/", editors):
        before = _REPEAT.search(text)
        if before is not None and _FIRST_AT.search(text[: before.start()]) is None:
            return True
    return False


def _edited(data: bytes, editor: int) -> str:
    """*data* as a line: the editing character takes one away, other control characters are nothing."""
    text = bytearray()
    for byte in data:
        if byte == editor:
            del text[-1:]
        elif byte >= _PRINTABLE_FROM:
            text.append(byte)
    return text.decode("latin-1")
