"""A message being entered after its prompt: bytes in, the text out (3GPP TS 27.005 3.5.1).

Ctrl-Z ends it, ESC gives it up; the editing character of S5 takes the last character back.
Memory is bounded.
"""

from __future__ import annotations

from enum import Enum, auto
from typing import Final

CR: Final = 13
SEND, CANCEL = 0x1A, 0x1B
# Longer than any message can be written; what follows is counted, not kept.
_MOST: Final = 2048


class Prompt:
    """What a command yields that wants text: *again* after each CR, where the text has lines.

    `text` is what was entered, its octets as Latin-1; None where the entry was given up.
    """

    def __init__(self, *, again: bool) -> None:
        self.again = again
        self.text: str | None = None


class Entered(Enum):
    """How far an entry has got."""

    GOES_ON = auto()
    NEW_LINE = auto()
    SENT = auto()
    CANCELLED = auto()


class TextEntry:
    """The text after one prompt."""

    def __init__(self, *, editor: int, mask: int, escape_is_text: bool) -> None:
        self._editor, self._mask, self._escape_is_text = editor, mask, escape_is_text
        self._text = bytearray()

    @property
    def text(self) -> str:
        """What has been entered, its octets as Latin-1; longer than any message where it was too long."""
        return self._text.decode("latin-1")

    def take(self, data: bytes, start: int) -> tuple[int, Entered]:
        """Read *data* from *start* up to the end of a line or of the text; where it stopped, and at what."""
        for position in range(start, len(data)):
            character = data[position] & self._mask
            if character == SEND:
                return position + 1, Entered.SENT
            if character == CANCEL and not self._escape_is_text:
                return position + 1, Entered.CANCELLED
            if character == self._editor:
                del self._text[-1:]
            elif len(self._text) < _MOST:
                self._text.append(character)
            if character == CR:
                return position + 1, Entered.NEW_LINE
        return len(data), Entered.GOES_ON
