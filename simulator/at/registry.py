"""The register of commands: each is one decorated function that declares its form and values once.

The declaration serves parsing, the range check, the answer to `=?` and the listing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, TypeAlias

from .errors import CommandError
from .grammar import Bare, Form, Quoted

if TYPE_CHECKING:
    from collections.abc import Callable, Generator, Iterator

    from .call import Call, Value
    from .entry import Prompt
    from .grammar import Written


class Awaited:
    """Something that a command waits for, *limit_ns* at most: `come` lets it go on at once."""

    def __init__(self, limit_ns: int) -> None:
        self.limit_ns = limit_ns
        self.resume: Callable[[], None] | None = None

    def come(self) -> None:
        """What was waited for is here; harmless when said again, or too late."""
        resume, self.resume = self.resume, None
        if resume is not None:
            resume()


# A command that takes time is a generator: it yields how many nanoseconds to wait, or what it waits for.
Steps: TypeAlias = "Generator[int | Awaited | Prompt, None, None]"
Handler: TypeAlias = "Callable[[Call], Steps | None]"


@dataclass(frozen=True, slots=True, kw_only=True)
class Number:
    """A decimal parameter in *low* to *high*, or one of *allowed*; *default* where it is left out."""

    name: str
    low: int = 0
    high: int
    allowed: tuple[int, ...] = ()
    default: int | None = None
    optional: bool = False

    def read(self, written: Written, *, nearest: bool = False) -> Value:
        """The value as a number; raises CommandError for anything but a number in range.

        With *nearest* a number out of range counts as the nearest that is in it.
        """
        if written is None:
            if self.default is None and not self.optional:
                raise CommandError
            return self.default
        if not isinstance(written, Bare) or not (written.text.isascii() and written.text.isdigit()):
            raise CommandError
        number = int(written.text[:12])
        if number in self.allowed if self.allowed else self.low <= number <= self.high:
            return number
        if nearest:
            return min(self.allowed or (self.low, self.high), key=lambda one: abs(one - number))
        raise CommandError

    @property
    def range_text(self) -> str:
        """The range as V.250 5.4.4 writes it: `(0-3)` or `(0,1,4)`."""
        if self.allowed:
            return f"({','.join(map(str, self.allowed))})"
        return f"({self.low})" if self.low == self.high else f"({self.low}-{self.high})"


@dataclass(frozen=True, slots=True, kw_only=True)
class Text:
    """A string parameter of up to *longest* characters; *bare* allows it without quotes."""

    name: str
    longest: int
    bare: bool = False
    optional: bool = False

    def read(self, written: Written, *, nearest: bool = False) -> Value:
        """The string; raises CommandError where it is missing, too long, or lacks its quotes."""
        del nearest
        if written is None:
            if not self.optional:
                raise CommandError
            return None
        if isinstance(written, Bare) and not self.bare:
            raise CommandError
        if len(written.text) > self.longest:
            raise CommandError
        return written.text

    @property
    def range_text(self) -> str:
        """Strings have no range to tell."""
        return ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Choice:
    """A string parameter that is one of *allowed*, in quotes; None where it is *optional* and left out."""

    name: str
    allowed: tuple[str, ...]
    optional: bool = False

    def read(self, written: Written, *, nearest: bool = False) -> Value:
        """The string; raises CommandError for any other, or where it is needed or lacks its quotes."""
        del nearest
        if written is None and self.optional:
            return None
        if not isinstance(written, Quoted) or written.text not in self.allowed:
            raise CommandError
        return written.text

    @property
    def range_text(self) -> str:
        """The strings as V.250 5.4.4 lists values."""
        return "(" + ",".join(f'"{text}"' for text in self.allowed) + ")"


Parameter: TypeAlias = Number | Text | Choice


@dataclass(frozen=True, slots=True, kw_only=True)
class Declared:
    """One command: where it is specified, what forms it has, what values it takes.

    *test* is the answer to `=?` where the ranges of the parameters do not make it.  An *abortable* command
    that takes time ends early by any character (V.250 5.6.1).
    """

    name: str
    standard: str
    clause: str
    forms: frozenset[Form]
    parameters: tuple[Parameter, ...]
    handler: Handler
    summary: str
    test: str | None = None
    abortable: bool = False

    @property
    def all_forms(self) -> frozenset[Form]:
        """The forms it answers: every extended command has a test form (V.250 5.4.3.2, 5.4.4.4)."""
        return self.forms if self.name.startswith("&") or self.name.isalpha() else self.forms | {Form.TEST}

    def read_values(self, written: tuple[Written, ...], *, nearest: bool = False) -> dict[str, Value]:
        """The values by parameter name; raises CommandError for too many or wrong ones."""
        if len(written) > len(self.parameters):
            raise CommandError
        padded = (*written, *(None,) * (len(self.parameters) - len(written)))
        return {
            parameter.name: parameter.read(value, nearest=nearest)
            for parameter, value in zip(self.parameters, padded, strict=True)
        }

    @property
    def test_text(self) -> str:
        """What `=?` answers with after the name; empty where only OK is due."""
        if self.test is not None:
            return self.test
        return ",".join(text for parameter in self.parameters if (text := parameter.range_text))


class Commands:
    """Commands by name."""

    def __init__(self) -> None:
        self._by_name: dict[str, Declared] = {}

    def __iter__(self) -> Iterator[Declared]:
        return iter(self._by_name.values())

    def __len__(self) -> int:
        return len(self._by_name)

    def get(self, name: str) -> Declared | None:
        """The command of that name, in capitals."""
        return self._by_name.get(name)

    def add(self, declared: Declared) -> None:
        """Register a command; raises ValueError for a name that is taken."""
        if declared.name in self._by_name:
            raise ValueError(f"command {declared.name} is registered twice")
        self._by_name[declared.name] = declared

    def joined_with(self, others: Commands) -> Commands:
        """These commands and *others*; these win no name twice."""
        joined = Commands()
        for declared in (*self, *others):
            joined.add(declared)
        return joined


COMMANDS: Final = Commands()


def command(
    name: str,
    *,
    standard: str,
    clause: str,
    forms: tuple[Form, ...],
    parameters: tuple[Parameter, ...] = (),
    test: str | None = None,
    abortable: bool = False,
) -> Callable[[Handler], Handler]:
    """Register the decorated function as the command *name*; its docstring's first line is the summary."""

    def register(handler: Handler) -> Handler:
        COMMANDS.add(
            Declared(
                name=name,
                standard=standard,
                clause=clause,
                forms=frozenset(forms),
                parameters=parameters,
                handler=handler,
                summary=(handler.__doc__ or "").strip().partition("\n")[0],
                test=test,
                abortable=abortable,
            )
        )
        return handler

    return register
