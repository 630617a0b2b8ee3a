"""The supervisor's clock, without a tree."""

from __future__ import annotations

from hil.scripts.virtual_time.probe import StillWorld
from hil.scripts.virtual_time.supervisor import Supervisor
from hil.scripts.virtual_time.world import Servants


def test_time_that_passes_while_programs_run_ends_with_the_run() -> None:
    world, done = StillWorld(), []
    supervisor = Supervisor(world, seed=0, servants=Servants([], []))
    supervisor.limit_ns = 100
    supervisor.deadlines.add(50, (), lambda: done.append("within"))
    supervisor.deadlines.add(120, (), lambda: done.append("beyond"))
    supervisor.pass_time(200)

    assert (world.now_ns, done) == (100, ["within"])
