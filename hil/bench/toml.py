"""A TOML file in, a checked section out, or one clear line on what is wrong with it."""

from __future__ import annotations

import tomllib
from typing import TYPE_CHECKING, Any, TypeVar, get_args, get_origin

from pydantic import BaseModel, ValidationError

from hil.errors import BadFileError, MissingFileError

if TYPE_CHECKING:
    from collections.abc import Iterator, Sequence
    from pathlib import Path

    from pydantic_core import ErrorDetails

    from simulator.kernel.section import Section

S = TypeVar("S", bound="Section")

# A found value is quoted up to this length.
_LONGEST_FOUND = 60


def read_toml(path: Path, *, wanted: str, sources: dict[Path, bytes] | None = None) -> dict[str, Any]:
    """The file as tables; what it held is added to *sources*.  Raises MissingFileError or BadFileError."""
    try:
        data = path.read_bytes()
        text = data.decode()
    except OSError as error:
        raise MissingFileError(path=str(path), wanted=wanted, reason=_reason(error)) from error
    except UnicodeDecodeError as error:
        raise BadFileError(
            file=str(path),
            key="",
            found=f"bytes that are not UTF-8 at offset {error.start}",
            allowed="UTF-8 text",
        ) from error
    if sources is not None:
        sources[path] = data
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BadFileError(file=str(path), key="", found=f"no TOML: {error}", allowed="TOML 1.0") from error


def check(schema: type[S], data: dict[str, Any], *, file: str, under: str = "") -> S:
    """*data*, found *under* that table of the file, as a *schema*.

    Raises BadFileError about one thing that is wrong: a key that nobody knows before one that is missing,
    for the one is most often the other misspelt.
    """
    try:
        return schema.model_validate(data)
    except ValidationError as error:
        found = error.errors()
        first = next((each for each in found if each["type"] == "extra_forbidden"), found[0])
        raise _bad_file(schema, data, first, file, under) from error


def _reason(error: OSError) -> str:
    return (error.strerror or str(error)).lower().replace("no such file or directory", "no such file")


def _bad_file(
    schema: type[BaseModel], data: object, error: ErrorDetails, file: str, under: str
) -> BadFileError:
    path = _path(data, error["loc"])
    key = ".".join(map(str, [under, *path] if under else path))
    kind, message = error["type"], error["msg"]
    if kind == "extra_forbidden":
        known = ", ".join(_keys_at(schema, data, path[:-1])) or "nothing"
        return BadFileError(file=file, key=key, found="a key that is not known", allowed=known)
    if kind == "missing":
        return BadFileError(file=file, key=key, found="nothing", allowed="a value; the key is needed")
    if kind == "value_error":
        return BadFileError(
            file=file, key=key, found=_shown(error["input"]), allowed=message.removeprefix("Value error, ")
        )
    allowed = message.removeprefix("Input should be ").replace("valid ", "")
    return BadFileError(file=file, key=key, found=_shown(error["input"]), allowed=allowed)


def _shown(value: object) -> str:
    if isinstance(value, dict):
        return "a table with " + (", ".join(map(str, value)) or "nothing in it")
    text = repr(value)
    return text if len(text) <= _LONGEST_FOUND else text[: _LONGEST_FOUND - 3] + "..."


def _path(data: object, location: Sequence[int | str]) -> list[int | str]:
    """The location in the file's own words: without the steps that only the schema has."""
    path: list[int | str] = []
    for number, step in enumerate(location):
        is_last = number == len(location) - 1
        if _holds(data, step):
            path.append(step)
            data = data[step]  # type: ignore[index] # `_holds` looked
        elif is_last and step != "[key]":
            path.append(step)
    return path


def _holds(data: object, step: int | str) -> bool:
    if isinstance(data, list):
        return isinstance(step, int) and step < len(data)
    return isinstance(data, dict) and step in data


def _keys_at(schema: type[BaseModel], data: object, path: Sequence[int | str]) -> list[str]:
    """The keys that the table at *path* may have."""
    sections: list[type[BaseModel]] = [schema]
    for step in path:
        data = data[step] if isinstance(data, dict) else None
        found: list[type[BaseModel]] = []
        for section in sections:
            if isinstance(step, str) and step in section.model_fields:
                found += _sections(section.model_fields[step].annotation)
        # A table of named things (a dict) keeps its sections for the step into one of them.
        sections = found or sections
    if isinstance(data, dict) and "kind" in data and len(sections) > 1:
        sections = [section for section in sections if data["kind"] in _kinds(section)] or sections
    return sorted({name for section in sections for name in section.model_fields})


def _sections(annotation: object) -> Iterator[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield annotation
    elif get_origin(annotation) is not None:
        for argument in get_args(annotation):
            yield from _sections(argument)


def _kinds(section: type[BaseModel]) -> tuple[object, ...]:
    field = section.model_fields.get("kind")
    return get_args(field.annotation) if field else ()
