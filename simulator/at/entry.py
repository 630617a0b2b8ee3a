"""A message being entered after its prompt: bytes in, echo, further prompts and the text out
(3GPP TS 27.005 3.5.1).

Ctrl-Z ends it, ESC gives it up; the editing character of S5 takes the last character back.  Memory is
bounded.
"""

from __future__ import annotations

from typing import Final

CR: Final = 13
SEND, CANCEL = 0x1A, 0x1B
# Longer than any message can be written; what follows is dropped.
_MOST: Final = 2048


class Prompt:
    """What a command yields that wants text: *again* after each CR, where the text has lines.

    `text` is what was entered, its octets as Latin-1; None where the entry was given up.
    """

    def __init__(self, *, again: bool) -> None:
        self.again = again
        self.text: str | None = None


class TextEntry:
    """The text after *prompt*, which is written as *shown* on the line."""

    def __init__(self, prompt: Prompt, *, shown: bytes, editor: int, mask: int, escape_is_text: bool) -> None:
        self._prompt, self._shown = prompt, shown
        self._editor, self._mask, self._escape_is_text = editor, mask, escape_is_text
        self._text = bytearray()

    @property
    def text(self) -> str:
        """What has been entered so far; longer than any message where it was too long."""
        return self._text.decode("latin-1")

    def receive(self, data: bytes, *, echo: bool) -> tuple[bytes, bytes | None]:
        """Take *data*: what is to be said, and what has come after the end; None while it goes on.

        The end itself is not echoed (common practice, no source).
        """
        said = bytearray()
        for position, octet in enumerate(data):
            character = octet & self._mask
            is_given_up = character == CANCEL and not self._escape_is_text
            if is_given_up or character == SEND:
                self._prompt.text = None if is_given_up else self.text
                return bytes(said), data[position + 1 :]
            if echo:
                said.append(octet)
            if character == self._editor:
                del self._text[-1:]
            elif len(self._text) < _MOST:
                self._text.append(character)
            if character == CR and self._prompt.again:
                said += self._shown
        return bytes(said), None
