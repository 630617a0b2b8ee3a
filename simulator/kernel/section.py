"""The base of everything that people write in files: strict, closed, frozen.

A value of the wrong type or a key that nobody knows is refused, never guessed at or dropped.
"""

from __future__ import annotations

from typing import Annotated, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field

T = TypeVar("T")


def _tuple_from_list(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


# TOML knows lists only; a frozen section holds tuples.
Several = Annotated[tuple[T, ...], BeforeValidator(_tuple_from_list)]
Two = Annotated[tuple[T, T], BeforeValidator(_tuple_from_list)]

Positive = Annotated[float, Field(gt=0, allow_inf_nan=False)]
NotNegative = Annotated[float, Field(ge=0, allow_inf_nan=False)]
Volts = Annotated[float, Field(ge=-60, le=60, allow_inf_nan=False)]


class Section(BaseModel):
    """One table of a file."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True)
