"""Whether virtual time works on this machine: a second of sleep in, no time of anybody's out."""

from __future__ import annotations

import os
from functools import cache
from typing import TYPE_CHECKING, Final

from hil.scripts.linux.architecture import UnknownArchitectureError
from hil.scripts.linux.caller import SECOND_NS

from .supervisor import HungError, Supervisor
from .world import Servants

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from simulator.module.port import Port

    from .made_handles import MadeHandles
    from .tasks import Tree

_LIMIT_NS: Final = 10 * SECOND_NS


class StillWorld:
    """A world in which nothing ever happens by itself."""

    serial = None
    ports: Sequence[Port] = ()

    def __init__(self) -> None:
        self.now_ns = 0

    @property
    def monotonic_ns(self) -> int:
        """What every clock shows."""
        return self.now_ns

    wall_ns = monotonic_ns

    def set_wall(self, wall_ns: int) -> None:
        """Nobody does."""

    def from_monotonic(self, value_ns: int) -> int:
        """The same."""
        return value_ns

    from_wall = from_monotonic

    def settle(self) -> bool:
        """Nothing comes from outside."""
        return False

    def answer(self) -> None:
        """Nobody asks."""

    def ask_who_holds(self, is_held: Callable[[tuple[int, int]], bool]) -> None:
        """There are no ports."""

    def line_handles(self, tree: Tree) -> MadeHandles | None:
        """There are no lines."""
        del tree
        return None

    def arrive(self) -> None:
        """There are no ports."""

    def next_due_ns(self) -> int | None:
        """Nothing is due."""
        return None

    def run_next_instant(self) -> None:
        """Nothing is due."""

    def run_until(self, at_ns: int) -> None:
        """It is *at_ns*."""
        self.now_ns = max(self.now_ns, at_ns)

    def port_at(self, device: tuple[int, int]) -> Port | None:
        """There are no ports."""
        del device
        return None


@cache
def why_not() -> str | None:
    """What keeps virtual time from working here, with the cure; None where it works."""
    world = StillWorld()
    nothing = os.open(os.devnull, os.O_RDWR | os.O_CLOEXEC)
    try:
        supervisor = Supervisor(world, seed=0, servants=Servants([], []))
        supervisor.time.limit_ns = _LIMIT_NS
        supervisor.spawn(["sleep", "1"], environment=os.environ, streams=(nothing, nothing, nothing))
        status = supervisor.run()
    except UnknownArchitectureError as error:
        return f"this machine's architecture is not known ({error})"
    except PermissionError as error:
        return (
            f"processes may not be traced here ({error}): in a container allow ptrace (SYS_PTRACE), or set "
            "kernel.yama.ptrace_scope below 3 by sysctl"
        )
    except (OSError, HungError) as error:
        return f"tracing does not work here ({error})"
    finally:
        os.close(nothing)
    if status != 0 or world.now_ns != SECOND_NS:
        return f"a sleep of 1 s ended with {status} after {world.now_ns / SECOND_NS:g} s"
    return None
