"""One command being carried out: what was asked, what it may touch, and what it says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

from .errors import CommandError

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.card.card import Card
    from simulator.messages.messages import Messages
    from simulator.module.module import Module
    from simulator.network.registration import Registration

    from .grammar import Form
    from .indicators import Indicators
    from .session import Session

Value: TypeAlias = int | str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Modem:
    """What commands may touch; *unsolicited* sends a line on every port."""

    module: Module
    card: Card
    registration: Registration
    messages: Messages
    unsolicited: Callable[[str], None]
    indicators: Indicators
    command_names: tuple[str, ...]


class Call:
    """One command in one of its forms, with its values by parameter name.

    `lines` is its information text; `afterwards` is done once the final result of the line is out, and
    `later_lines` are sent on the same port then.
    """

    __slots__ = ("afterwards", "form", "later_lines", "lines", "modem", "session", "values")

    def __init__(self, *, modem: Modem, session: Session, form: Form, values: dict[str, Value]) -> None:
        self.modem, self.session, self.form, self.values = modem, session, form, values
        self.lines: list[str] = []
        self.afterwards: list[Callable[[], None]] = []
        self.later_lines: list[str] = []

    def say(self, line: str) -> None:
        """Add a line of information text."""
        self.lines.append(line)

    def flush_afterwards(self, lines: list[str]) -> None:
        """Send *lines*, unsolicited, on this port once the final result is out."""
        self.later_lines += lines

    def number(self, name: str) -> int:
        """A value that is declared as a number with a default or as required."""
        value = self.values[name]
        if not isinstance(value, int):
            raise CommandError
        return value

    def text(self, name: str) -> str | None:
        """A value that is declared as a text; None where it was left out."""
        value = self.values[name]
        return None if value is None else str(value)
