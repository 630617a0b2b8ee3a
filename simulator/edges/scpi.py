"""Lines in, answers out: an instrument's command language after SCPI-1999 and IEEE 488.2, without its wire.

A command is declared as the standard writes it, `[SOURce:]VOLTage[:LEVel]`: capitals are the short form,
what stands in brackets may be left out.  Errors go into the queue that `SYSTem:ERRor?` empties (SCPI-1999
volume 2, 21.8; the numbers from memory).
"""

from __future__ import annotations

import re
from collections import deque
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping

    Setting = Callable[[str], None]

_NUMBER: Final = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+)(?:E[+-]?\d+)?)\s*(?:V|A|DB)?", re.IGNORECASE)
_UNDEFINED = (-113, "Undefined header")
_NO_NUMBER = (-120, "Numeric data error")
_MISSING = (-109, "Missing parameter")
_OUT_OF_RANGE = (-222, "Data out of range")
_OVERFLOW = (-350, "Queue overflow")
_NO_ERROR = (0, "No error")
# SCPI-1999 volume 2, 21.8.1: at least two places.
_PLACES: Final = 20


class OutOfRangeError(ValueError):
    """A setting that the instrument cannot take."""


class Language:
    """One instrument's commands: *queries* by header give an answer, *settings* take what is written."""

    def __init__(
        self, *, identity: str, queries: Mapping[str, Callable[[], str]], settings: Mapping[str, Setting]
    ) -> None:
        self._errors: deque[tuple[int, str]] = deque()
        known = {
            "*IDN": lambda: identity,
            "*OPC": lambda: "1",
            "*ESR": lambda: "0",
            "*STB": lambda: "0",
            "*TST": lambda: "0",
            "SYSTem:ERRor[:NEXT]": self._next_error,
            "SYSTem:VERSion": lambda: "1999.0",
            **queries,
        }
        self._queries = [(_pattern(header), answer) for header, answer in known.items()]
        self._settings = [(_pattern(header), setting) for header, setting in settings.items()]

    def line(self, line: str) -> str | None:
        """Carry out one program message; the answers of its queries, or None where it has none.

        A unit after `;` goes on where the one before it ended, unless it starts with `:` or `*` (volume 1,
        6.2.4).
        """
        answers: list[str] = []
        path = ""
        for unit in line.split(";"):
            header, _, parameter = unit.strip().partition(" ")
            if not header:
                continue
            if header.startswith(":"):
                header, path = header[1:], ""
            elif not header.startswith("*"):
                header = path + header
            if not header.startswith("*"):
                path = header[: header.rfind(":") + 1]
            answer = self._unit(header, parameter.strip())
            if answer is not None:
                answers.append(answer)
        return ";".join(answers) or None

    def _unit(self, header: str, parameter: str) -> str | None:
        if header.endswith("?"):
            for pattern, answer in self._queries:
                if pattern.fullmatch(header[:-1]):
                    return answer()
            self.fail(_UNDEFINED)
            return None
        if header.upper() == "*CLS":
            self._errors.clear()
            return None
        for pattern, setting in self._settings:
            if pattern.fullmatch(header):
                self._set(setting, parameter)
                return None
        if header.upper() not in ("*WAI", "*OPC"):
            self.fail(_UNDEFINED)
        return None

    def _set(self, setting: Setting, parameter: str) -> None:
        try:
            setting(parameter)
        except OutOfRangeError:
            self.fail(_OUT_OF_RANGE)
        except ValueError:
            self.fail(_NO_NUMBER if parameter else _MISSING)

    def fail(self, error: tuple[int, str]) -> None:
        """Put an error, its number and words, into the queue."""
        if len(self._errors) < _PLACES:
            self._errors.append(error)
        else:
            self._errors[-1] = _OVERFLOW

    def _next_error(self) -> str:
        number, text = self._errors.popleft() if self._errors else _NO_ERROR
        return f'{number},"{text}"'


def number(text: str) -> float:
    """A decimal number with or without its unit; raises ValueError."""
    found = _NUMBER.fullmatch(text)
    if found is None:
        raise ValueError(text)
    return float(found[1])


def switch(text: str) -> bool:
    """ON, OFF, or a number that is not nought; raises ValueError (volume 1, 7.3)."""
    word = text.upper()
    return word == "ON" if word in ("ON", "OFF") else bool(round(number(text)))


def _pattern(header: str) -> re.Pattern[str]:
    """`[SOURce:]VOLTage` as what matches it in long and in short form, in any case."""

    def word(found: re.Match[str]) -> str:
        long = found[0]
        short = "".join(letter for letter in long if not letter.islower())
        return f"(?:{re.escape(long)}|{re.escape(short)})"

    text = re.sub(r"[A-Za-z*]+\d*", word, header)
    return re.compile(text.replace("[", "(?:").replace("]", ")?"), re.IGNORECASE)
