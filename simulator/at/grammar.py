"""The body of a command line in, its commands out (ITU-T V.250 5.2 to 5.4).

A line is read from left to right; where it stops making sense, a `SyntaxFault` stands in place of the
rest, so that the commands before it are still carried out, as the standard asks.  Knows no command.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import Enum
from functools import lru_cache
from typing import Final, NamedTuple


class Form(Enum):
    """The four forms of a command."""

    ACTION = "action"
    READ = "read"
    SET = "set"
    TEST = "test"


@dataclass(frozen=True, slots=True)
class Quoted:
    """A string constant, without its quotes and with its escapes undone."""

    text: str


@dataclass(frozen=True, slots=True)
class Bare:
    """Anything that stands without quotes."""

    text: str


# A value as it was written; None where it was left out.
Written = Quoted | Bare | None


@dataclass(frozen=True, slots=True)
class Command:
    """One command of a line: its name as it is looked up, its form, and the values as written."""

    name: str
    form: Form
    values: tuple[Written, ...] = ()


@dataclass(frozen=True, slots=True)
class SyntaxFault:
    """From here on the line makes no sense."""


class Dialect(NamedTuple):
    """What a module's grammar has of its own: characters that begin an extended name, and `AtQuirks`."""

    prefixes: str = "+"
    spaces_count: bool = False
    closes_quotes: bool = False
    one_command_a_line: bool = False


# V.250 5.4.1: "+", a letter, up to 15 more of this alphabet; other prefixes are the manufacturer's.
_EXTENDED: Final = re.compile(r"[A-Z][A-Z0-9!%\-./:_]{0,15}")
_BASIC: Final = re.compile(r"(&?[A-Z])([0-9]*)")
_S_PARAMETER: Final = re.compile(r"S([0-9]+)(?:(\?)|=([0-9]*))")
_ESCAPE: Final = re.compile(r"\\([0-9A-Fa-f]{2})")
_VALUE: Final = re.compile(r'(?:"([^"]*)"|([^",;]*))')
# Strings, which keep their spaces; spaces within a number, which spoil it; and all others, which go.
_SPACES: Final = re.compile(r'("[^"]*"?)|(?<=[0-9])( ) *(?=[0-9])| +')


@lru_cache(maxsize=512)
def parse(body: str, dialect: Dialect = Dialect()) -> tuple[Command | SyntaxFault, ...]:  # noqa: B008 # immutable
    """The commands of *body*."""
    if not dialect.spaces_count:
        body = _without_spaces(body)
    if dialect.closes_quotes and body.count('"') % 2:
        body += '"'
    capitals = body.upper()
    commands: list[Command | SyntaxFault] = []
    position, end = 0, len(body)
    while position < end:
        if body[position] in dialect.prefixes:
            found = _extended(body, capitals, position)
        else:
            found = _s_parameter(capitals, position) or _basic(capitals, position)
        if found is None:
            commands.append(SyntaxFault())
            break
        command, position = found
        commands.append(command)
    if dialect.one_command_a_line and len(commands) > 1:
        return (SyntaxFault(),)
    return tuple(commands)


def _without_spaces(body: str) -> str:
    """V.250 5.4.1: spaces may stand anywhere except within a constant."""
    if " " not in body:
        return body
    return _SPACES.sub(lambda found: found[1] or found[2] or "", body)


def _extended(body: str, capitals: str, position: int) -> tuple[Command, int] | None:
    match = _EXTENDED.match(capitals, position + 1)
    if match is None:
        return None
    name, position = body[position] + match[0], match.end()
    rest = body[position : position + 1]
    if rest in ("", ";"):
        return Command(name, Form.ACTION), position + 1
    if rest == "?":
        return _ended(Command(name, Form.READ), body, position + 1)
    if rest != "=":
        return None
    if body.startswith("?", position + 1):
        return _ended(Command(name, Form.TEST), body, position + 2)
    return _set_values(name, body, position + 1)


def _set_values(name: str, body: str, position: int) -> tuple[Command, int] | None:
    values: list[Written] = []
    while (found := _VALUE.match(body, position)) is not None:
        position = found.end() + 1
        values.append(_written(found))
        following = body[found.end() : position]
        if following in ("", ";"):
            return Command(name, Form.SET, tuple(values)), position
        if following != ",":
            break
    return None


def _written(found: re.Match[str]) -> Written:
    if found[1] is not None:
        return Quoted(_ESCAPE.sub(lambda escape: chr(int(escape[1], 16)), found[1]))
    return Bare(found[2]) if found[2] else None


def _s_parameter(capitals: str, position: int) -> tuple[Command, int] | None:
    match = _S_PARAMETER.match(capitals, position)
    if match is None:
        return None
    number = Bare(match[1])
    if match[2]:
        return Command("S", Form.READ, (number,)), match.end()
    return Command("S", Form.SET, (number, Bare(match[3]) if match[3] else None)), match.end()


def _basic(capitals: str, position: int) -> tuple[Command, int] | None:
    match = _BASIC.match(capitals, position)
    if match is None or match[1] == "S" or capitals.startswith(("?", "="), match.end()):
        return None  # basic commands cannot be read or tested (V.250 5.3.1)
    return Command(match[1], Form.ACTION, (Bare(match[2]),) if match[2] else ()), match.end()


def _ended(command: Command, body: str, position: int) -> tuple[Command, int] | None:
    """An extended command ends with the line or with a semicolon."""
    return (command, position + 1) if body[position : position + 1] in ("", ";") else None
