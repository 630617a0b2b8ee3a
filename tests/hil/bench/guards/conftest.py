"""A guard between a test and a module that is only a list of bytes."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.bench.guards.ledger import Ledger
from hil.bench.guards.permits import Permits
from hil.bench.guards.port_guard import PortGuard
from hil.bench.guards.rules import RuleBook

LISTED = "+447700900123"
BUDGETS = {"presses": 100, "cuts": 100, "attaches": 100, "messages": 100, "calls": 100}


class Guarded:
    """A guarded port: `send` gives what reached the module; `hears` is what the module says."""

    def __init__(self, permits: Permits, rules: RuleBook) -> None:
        self.permits, self.guard = permits, PortGuard(permits, rules)
        self.notes: list[tuple[str, str, dict[str, Any]]] = []
        permits.note = lambda lane, what, **more: self.notes.append((lane, what, more))

    def send(self, *pieces: bytes) -> bytes:
        """Send *pieces*, each as one write; what the module has got of them."""
        reached = b""
        for piece in pieces:
            for ready in self.guard.pass_on(piece):
                reached += ready
        return reached

    def hears(self, data: bytes) -> None:
        self.guard.heard(data)

    def ask(self, data: bytes, answer: bytes = b"\r\nOK\r\n") -> bytes:
        reached = self.send(data)
        self.hears(answer)
        return reached


MakeGuarded = Callable[..., Guarded]


@pytest.fixture
def make_guarded(tmp_path: Path) -> MakeGuarded:
    """Make a guarded port; options are those of Permits and RuleBook."""

    def make_guarded(
        *,
        effects: dict[str, str] | None = None,
        refused: tuple[str, ...] = (),
        **options: Any,  # noqa: ANN401 # those of Permits
    ) -> Guarded:
        given: dict[str, Any] = {"numbers": [LISTED], "antenna": "load", "budgets": BUDGETS, "max_volts": 5.5}
        given |= {"ledger": Ledger(tmp_path / "ledger.json"), **options}
        return Guarded(Permits(**given), RuleBook(effects=effects, refused=refused))

    return make_guarded


@pytest.fixture
def guarded(make_guarded: MakeGuarded) -> Guarded:
    """A guarded port that may write to one number."""
    return make_guarded()
