"""The scratch file system, asked as libfuse asks it; and mounted, as a script meets it."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable

import pytest

from simulator.edges.scratch_files import CAPACITY, ScratchOperations


class Clock:
    """Nanoseconds that a test sets."""

    def __init__(self) -> None:
        self.now_ns = 1_000

    def __call__(self) -> int:
        return self.now_ns


@pytest.fixture
def clock() -> Clock:
    return Clock()


@pytest.fixture
def files(clock: Clock) -> ScratchOperations:
    """An empty file system."""
    return ScratchOperations(clock, on_up=lambda: None)


def refused(action: Callable[[], object]) -> int | None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is asked for
        action()
    return caught.value.errno


def test_what_is_written_is_read_and_has_the_clock_s_time(files: ScratchOperations, clock: Clock) -> None:
    files.create("/a", 0o644)
    clock.now_ns = 5_000
    assert files.write("/a", b"hello", 0, 0) == 5
    clock.now_ns = 9_000
    told = files.getattr("/a")

    assert files.read("/a", 100, 1, 0) == b"ello"
    assert (told["st_size"], told["st_mtime"], told["st_atime"]) == (5, 5_000, 1_000)
    assert stat.S_ISREG(told["st_mode"])


def test_a_gap_is_filled_with_zeros_and_a_truncation_cuts(files: ScratchOperations) -> None:
    files.create("/a", 0o644)
    files.write("/a", b"x", 3, 0)
    assert files.read("/a", 10, 0, 0) == b"\0\0\0x"
    files.truncate("/a", 1)
    assert files.read("/a", 10, 0, 0) == b"\0"
    files.open("/a", os.O_WRONLY | os.O_TRUNC)
    assert files.getattr("/a")["st_size"] == 0


def test_times_are_set_to_now_left_alone_or_given(files: ScratchOperations, clock: Clock) -> None:
    files.create("/a", 0o644)
    clock.now_ns = 7_000
    files.utimens("/a", (0x3FFFFFFE, 42))
    assert [files.getattr("/a")[name] for name in ("st_atime", "st_mtime")] == [1_000, 42]
    files.utimens("/a", (0x3FFFFFFF, 0x3FFFFFFE))
    assert [files.getattr("/a")[name] for name in ("st_atime", "st_mtime")] == [7_000, 42]
    files.utimens("/a")
    assert files.getattr("/a")["st_mtime"] == 7_000


def test_folders_links_and_names(files: ScratchOperations) -> None:
    files.mkdir("/d", 0o700)
    files.create("/d/a", 0o600)
    files.write("/d/a", b"1", 0, 0)
    files.link("/d/b", "/d/a")
    files.symlink("/l", "d/a")
    files.mknod("/p", stat.S_IFIFO | 0o600, 0)

    assert files.readdir("/d", 0) == [".", "..", "a", "b"]
    assert files.getattr("/d/b")["st_nlink"] == 2
    assert files.readlink("/l") == "d/a"
    assert stat.S_ISFIFO(files.getattr("/p")["st_mode"])
    files.unlink("/d/a")
    assert files.read("/d/b", 9, 0, 0) == b"1"
    files.rename("/d/b", "/c")
    files.rmdir("/d")
    assert files.readdir("/", 0) == [".", "..", "l", "p", "c"]


def test_the_kernel_s_errors(files: ScratchOperations) -> None:
    files.mkdir("/d", 0o700)
    files.create("/d/a", 0o600)

    assert refused(lambda: files.getattr("/no")) == errno.ENOENT
    assert refused(lambda: files.getattr("/d/a/b")) == errno.ENOTDIR
    assert refused(lambda: files.create("/d/a", 0o600)) == errno.EEXIST
    assert refused(lambda: files.rmdir("/d")) == errno.ENOTEMPTY
    assert refused(lambda: files.rmdir("/d/a")) == errno.ENOTDIR
    assert refused(lambda: files.link("/d/a", "/d")) == errno.EEXIST


def test_what_all_files_hold_is_bounded_and_given_back(files: ScratchOperations) -> None:
    handle = files.create("/a", 0o600)
    assert refused(lambda: files.truncate("/a", CAPACITY + 1)) == errno.ENOSPC
    files.truncate("/a", CAPACITY)
    files.create("/b", 0o600)
    assert refused(lambda: files.write("/b", b"x", 0, 0)) == errno.ENOSPC
    assert files.statfs("/")["f_bfree"] == 0
    files.unlink("/a")
    assert refused(lambda: files.write("/b", b"x", 0, 0)) == errno.ENOSPC  # somebody has it open
    files.release("/a", handle)
    assert files.write("/b", b"x", 0, 0) == 1


def test_what_libfuse_hides_is_not_shown_and_in_nobody_s_way(files: ScratchOperations) -> None:
    files.mkdir("/d", 0o700)
    files.create("/d/.fuse_hidden01", 0o600)

    assert files.readdir("/d", 0) == [".", ".."]
    files.rmdir("/d")


def test_an_open_file_is_served_by_its_handle_once_its_folder_is_gone(files: ScratchOperations) -> None:
    files.mkdir("/d", 0o700)
    handle = files.create("/d/.fuse_hidden01", 0o600)
    files.write(None, b"before", 0, handle)
    free = files.statfs("/")["f_bfree"]
    files.rmdir("/d")

    assert files.write(None, b"after" * 1000, 0, handle) == 5000
    files.truncate(None, 4998, handle)
    assert files.read(None, 100, 4990, handle) == b"afteraft"
    assert files.getattr(None, handle)["st_size"] == 4998
    assert files.statfs("/")["f_bfree"] < free
    files.release(None, handle)
    assert files.statfs("/")["f_bfree"] > free
    assert refused(lambda: files.chmod(None, 0o600)) == errno.ENOENT


def test_an_exchange_loses_nothing_and_what_is_not_known_is_refused(files: ScratchOperations) -> None:
    files.mkdir("/d", 0o700)
    for path in ("/a", "/d/b"):
        files.write(path, path.encode(), 0, files.create(path, 0o600))
    files.rename("/a", "/d/b", 2)  # RENAME_EXCHANGE (linux/fs.h)

    assert (files.read("/a", 9, 0, 0), files.read("/d/b", 9, 0, 0)) == (b"/d/b", b"/a")
    files.rename("/a", "/d", 2)
    assert (files.readdir("/a", 0)[2:], files.read("/d", 9, 0, 0)) == (["b"], b"/d/b")
    assert refused(lambda: files.rename("/d", "/c", 4)) == errno.EINVAL  # RENAME_WHITEOUT
    files.rename("/d", "/c", 1)  # RENAME_NOREPLACE
    assert files.read("/c", 9, 0, 0) == b"/d/b"


def test_owner_and_mode(files: ScratchOperations) -> None:
    files.create("/a", 0o600)
    files.chmod("/a", 0o4755)
    files.chown("/a", 12, 0xFFFFFFFF)
    told = files.getattr("/a")

    assert (told["st_mode"] & 0o7777, told["st_uid"], told["st_gid"]) == (0o4755, 12, os.getgid())
