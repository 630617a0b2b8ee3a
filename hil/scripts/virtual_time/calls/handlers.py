"""The register of handlers.

A handler gets the supervisor, the task and the call's six arguments.  It answers with a result, with None
where the kernel is to make the call as it is, or with what `CallsUnderWay.wait` or `call_then` gives.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, TypeAlias

if TYPE_CHECKING:
    from collections.abc import Callable

    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task
    from hil.scripts.virtual_time.under_way import Pending

Arguments: TypeAlias = tuple[int, ...]
Answer: TypeAlias = "int | Pending | None"
Handler: TypeAlias = "Callable[[Supervisor, Task, Arguments], Answer]"

HANDLERS: Final[dict[str, Handler]] = {}


def handles(*names: str) -> Callable[[Handler], Handler]:
    """Register the decorated function for the calls *names*."""

    def register(handler: Handler) -> Handler:
        HANDLERS.update(dict.fromkeys(names, handler))
        return handler

    return register


def signed(value: int) -> int:
    """An argument of 32 bits with a sign."""
    value &= 0xFFFFFFFF
    return value - (1 << 32) if value >> 31 else value
