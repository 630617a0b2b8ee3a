"""Several trees below one mount, and the uptime."""

from __future__ import annotations

import errno

import pytest

from simulator.edges.host_trees import HostTrees, proc_tree, random_tree


@pytest.fixture
def trees() -> HostTrees:
    return HostTrees({"proc": proc_tree(lambda: 1_234_567_890_123)})


def test_the_uptime_is_told_twice_to_hundredths(trees: HostTrees) -> None:
    # proc(5): the uptime and the idle time; the second is the first here.
    assert trees.read(("proc", "uptime")) == b"1234.56 1234.56\n"


def test_each_tree_stands_below_its_name(trees: HostTrees) -> None:
    assert trees.entry(()).is_folder
    assert trees.names(()) == ["proc"]
    assert trees.names(("proc",)) == ["uptime"]
    assert not trees.entry(("proc", "uptime")).is_folder


@pytest.mark.parametrize(("path", "number"), [(("sys",), errno.ENOENT), (("proc", "stat"), errno.ENOENT)])
def test_nothing_else_is_there(trees: HostTrees, path: tuple[str, ...], number: int) -> None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is asked for
        trees.entry(path)

    assert caught.value.errno == number


def test_the_uptime_is_not_written_to(trees: HostTrees) -> None:
    for action in (
        lambda: trees.write(("proc", "uptime"), b"1"),
        lambda: trees.check_open(("proc", "uptime"), reading=False, writing=True),
    ):
        with pytest.raises(OSError) as caught:  # noqa: PT011 # as above
            action()
        assert caught.value.errno == errno.EACCES


def test_chance_is_given_out_once_and_what_is_written_changes_nothing() -> None:
    given = iter(range(256))
    trees = HostTrees({"random": random_tree(lambda size: bytes([next(given)] * size))})
    file = ("random", "urandom")
    trees.check_open(file, reading=True, writing=True)

    assert trees.read(file, 7) == bytes(4096)
    assert trees.write(file, b"seed") == 4
    # RFC 9562, 5.4: version 4 and the variant are set in whatever the bytes are.
    assert trees.read(("random", "uuid")) == b"01010101-0101-4101-8101-010101010101\n"
    assert trees.read(file) == bytes([2]) * 4096
