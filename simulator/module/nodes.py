"""Which device number a USB serial port gets: the lowest that is free.

A number stays taken while a dead handle is held on it; that is how ports come back under another
number after a re-enumeration.  Knows no handle: the edge says when the last one is closed.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable

_PREFIX = "ttyUSB"


class NodeTable:
    """The host's `ttyUSB` numbers.

    *own* are the names that this module's ports get on an undisturbed host; lower numbers between
    them belong to other devices and stay taken.
    """

    def __init__(self, own: Iterable[str]) -> None:
        numbers = {int(name.removeprefix(_PREFIX)) for name in own}
        self._taken = set(range(max(numbers, default=-1) + 1)) - numbers

    def take(self) -> str:
        """The lowest free name; taken from now on."""
        number = 0
        while number in self._taken:
            number += 1
        self._taken.add(number)
        return f"{_PREFIX}{number}"

    def release(self, name: str) -> None:
        """*name* is free again."""
        self._taken.discard(int(name.removeprefix(_PREFIX)))
