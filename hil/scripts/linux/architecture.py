"""The architecture of this machine: where registers are and how calls are numbered."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING

from . import aarch64, x86_64

if TYPE_CHECKING:
    from types import ModuleType


class UnknownArchitectureError(Exception):
    """Nobody has written the tables for this machine."""


_BY_NAME = {"x86_64": x86_64, "aarch64": aarch64}


def this_machine() -> ModuleType:
    """The tables of this machine; raises UnknownArchitectureError."""
    name = os.uname().machine
    if name not in _BY_NAME:
        raise UnknownArchitectureError(f"found {name}; there are tables for {', '.join(_BY_NAME)}")
    return _BY_NAME[name]
