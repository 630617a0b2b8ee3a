"""A day's counts and the doubt about a card, kept in a file across runs.

Whoever holds the bench's lock is the only one who writes; each change is on the disk when the call returns,
so that a crash forgets nothing.
"""

from __future__ import annotations

import json
import os
from datetime import UTC, datetime
from typing import TYPE_CHECKING, Any

from hil.errors import BenchUnfitError

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path


def _today() -> str:
    return datetime.now(tz=UTC).astimezone().date().isoformat()


class Ledger:
    """The file at *path*; *today* gives the day as text."""

    def __init__(self, path: Path, *, today: Callable[[], str] = _today) -> None:
        self._path, self._today = path, today
        self._data = self._read()

    def used(self, budget: str) -> int:
        """How much of a budget is used today."""
        if self._data["day"] != self._today():
            self._data = {**self._data, "day": self._today(), "used": {}}
        return int(self._data["used"].get(budget, 0))

    def use(self, budget: str, count: int) -> int:
        """Use *count* more; how much is used then."""
        used = self.used(budget) + count
        self._data["used"][budget] = used
        self._write()
        return used

    @property
    def is_in_doubt(self) -> bool:
        """Whether a PIN was entered of which nobody knows that it was right."""
        return bool(self._data["doubt"])

    def set_doubt(self, doubt: bool) -> None:
        """Keep whether such an entry was made."""
        if doubt is not self.is_in_doubt:
            self._data["doubt"] = doubt
            self._write()

    def _read(self) -> dict[str, Any]:
        fresh: dict[str, Any] = {"day": self._today(), "used": {}, "doubt": False}
        try:
            data = json.loads(self._path.read_text(encoding="utf-8"))
            return {"day": str(data["day"]), "used": dict(data["used"]), "doubt": bool(data["doubt"])}
        except FileNotFoundError:
            return fresh
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise BenchUnfitError(
                part="ledger",
                reason=f"{self._path} cannot be read ({error})",
                cure="look at what it says of today's use, then move it away",
            ) from error

    def _write(self) -> None:
        draft = self._path.with_suffix(".tmp")
        try:
            with draft.open("w", encoding="utf-8") as file:
                json.dump(self._data, file)
                file.flush()
                os.fsync(file.fileno())
            draft.replace(self._path)
        except OSError as error:
            raise BenchUnfitError(
                part="ledger", reason=f"{self._path} cannot be written ({error})", cure="make room for it"
            ) from error
