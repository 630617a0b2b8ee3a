"""The tree as it grows and shrinks: whose end concerns those of the sandbox, who wait for its processes."""

from __future__ import annotations

from hil.scripts.virtual_time.tasks import Task, Tree


class Station:
    """A tree as in a sandbox: the one that keeps the others, a script, and what the script starts."""

    def __init__(self) -> None:
        self.tree = Tree()
        self.keeper = self.tree.add(10, 10, (0,))
        self.keeper.keeps_others = True
        self.script = self.start(20, self.keeper)

    def start(self, pid: int, parent: Task) -> Task:
        return self.tree.add(pid, pid, (*parent.place, pid), parent.process)

    def concerns_keepers(self, task: Task) -> bool:
        assert self.tree.remove(task)
        return self.tree.leaves_to_keepers(task.process)


def test_the_end_of_the_script_concerns_them() -> None:
    station = Station()

    assert station.concerns_keepers(station.script)


def test_the_end_of_what_the_script_waits_for_does_not() -> None:
    station = Station()

    assert not station.concerns_keepers(station.start(21, station.script))


def test_the_end_of_an_orphan_does() -> None:
    station = Station()
    between = station.start(21, station.script)
    orphan = station.start(22, between)
    station.tree.remove(between)

    assert station.concerns_keepers(orphan)


def test_the_end_of_one_that_leaves_orphans_does() -> None:
    station = Station()
    between = station.start(21, station.script)
    station.start(22, between)

    assert station.concerns_keepers(between)


def test_a_number_that_is_used_again_is_not_taken_for_the_parent() -> None:
    station = Station()
    between = station.start(21, station.script)
    orphan = station.start(22, between)
    station.tree.remove(between)
    station.start(21, station.script)

    assert station.concerns_keepers(orphan)


def test_the_end_of_a_thread_ends_no_process() -> None:
    station = Station()
    thread = station.tree.add(23, 20, (*station.script.place, 23))

    assert not station.tree.remove(thread)
    assert thread.has_ended
