"""The supervisor's clock: what moves it, and what does not."""

from __future__ import annotations

import subprocess
import sys

from hil.scripts.virtual_time.probe import StillWorld
from hil.scripts.virtual_time.supervisor import Supervisor
from hil.scripts.virtual_time.world import Servants


def test_time_that_passes_while_programs_run_ends_with_the_run() -> None:
    world, done = StillWorld(), []
    supervisor = Supervisor(world, seed=0, servants=Servants([], []))
    supervisor.time.limit_ns = 100
    task = supervisor.tree.add(1, 1, (0,))
    supervisor.time.at(50, task, lambda: done.append("within"))
    supervisor.time.at(120, task, lambda: done.append("beyond"))
    supervisor.time.pass_time(200)

    assert (world.now_ns, done) == (100, ["within"])


# In a process of its own, for a supervisor waits for all children of its process.
SLOW_START = """
import os, time
from hil.scripts.virtual_time.probe import StillWorld
from hil.scripts.virtual_time.supervisor import Supervisor
from hil.scripts.virtual_time.world import Servants

class Due(StillWorld):
    def next_due_ns(self):
        return 1_000_000_000 if self.now_ns == 0 else None
    def run_next_instant(self):
        self.now_ns = 1_000_000_000

become = Supervisor._become
def slowly(self, *given):
    time.sleep(0.3)  # the wall's: whatever starts the program waits for somebody who is not of the tree
    become(self, *given)
Supervisor._become = slowly

supervisor = Supervisor(Due(), seed=0, servants=Servants([], []))
supervisor.time.limit_ns = 10_000_000_000
supervisor.spawn(["date", "-u", "+%s"], environment=os.environ, streams=(0, 1, 2))
raise SystemExit(supervisor.run())
"""


def test_time_does_not_move_before_the_first_program_begins() -> None:
    command = [sys.executable, "-c", SLOW_START]
    done = subprocess.run(command, check=False, capture_output=True, text=True, timeout=60)

    assert (done.stdout, done.stderr, done.returncode) == ("0\n", "", 0)
