"""The file of the kernel's messages at a real mount point: reads that wait, signals, and its end.

Its readers are processes of their own, for the test's is the one that answers them.
"""

from __future__ import annotations

import ctypes
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from simulator.edges import fuse_file
from simulator.edges.fuse_mount import NoFuseError
from simulator.edges.kmsg_file import KmsgFile
from simulator.host.kernel_log import BOOTED, KernelLog
from simulator.kernel.timeline import Timeline

from .other_namespace import copy_of_all_mounts

READER = """
import errno, os, sys
file = os.open(sys.argv[1], os.O_RDONLY)
try:
    while True:
        print(os.read(file, 8192).decode(), end="", flush=True)
except OSError as error:
    print(errno.errorcode[error.errno], flush=True)
"""

Read = Callable[[], subprocess.Popen[str]]


@pytest.fixture
def log() -> KernelLog:
    return KernelLog(Timeline())


@pytest.fixture
def file(log: KernelLog, tmp_path: Path) -> Iterator[KmsgFile]:
    """The file at `kmsg` in the test's folder; there is no model, so its thread answers by itself."""
    file = KmsgFile(tmp_path / "kmsg", run=lambda call: call())
    file.show(log)
    yield file
    file.close()
    assert not os.path.ismount(tmp_path / "kmsg")


@pytest.fixture
def read(file: KmsgFile, tmp_path: Path) -> Iterator[Read]:
    """Start a program that reads one message after the other, and has read the first."""
    del file
    started: list[subprocess.Popen[str]] = []

    def read() -> subprocess.Popen[str]:
        program = subprocess.Popen(
            [sys.executable, "-c", READER, str(tmp_path / "kmsg")], stdout=subprocess.PIPE, text=True
        )
        started.append(program)
        assert _line(program) == f"6,0,0,-;{BOOTED}"
        return program

    yield read
    for program in started:
        program.kill()
        with program:
            pass


def _line(program: subprocess.Popen[str]) -> str:
    assert program.stdout is not None
    return program.stdout.readline().rstrip("\n")


def test_every_reader_that_waits_gets_the_next_message(log: KernelLog, read: Read) -> None:
    readers = [read(), read()]
    for text in ("one", "two"):
        log.say(text)

        assert [_line(reader).partition(";")[2] for reader in readers] == [text, text]


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGKILL])
def test_a_signal_ends_a_read_that_waits(read: Read, number: int) -> None:
    reader = read()
    time.sleep(0.05)  # by now it waits; where it does not yet, the signal ends it all the same
    reader.send_signal(number)

    assert reader.wait(5) == -number


def test_a_reader_is_told_when_the_file_goes(file: KmsgFile, read: Read) -> None:
    reader = read()
    time.sleep(0.05)
    file.close()

    assert _line(reader) in ("ENODEV", "ENOTCONN")  # while it waited, or before


def test_it_goes_also_while_others_have_a_copy_of_it(file: KmsgFile) -> None:
    with copy_of_all_mounts():
        began = time.monotonic()
        file.close()

        assert time.monotonic() - began < 1.5


class RefusingLibrary:
    """The C library of a user who may not mount."""

    def mount(self, *arguments: object) -> int:
        """Refused."""
        del arguments
        return -1

    def __getattr__(self, name: str) -> object:
        return getattr(ctypes.CDLL(None), name)


def test_who_may_not_mount_has_a_program_for_it(
    log: KernelLog, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(fuse_file, "ctypes", type("", (), {"CDLL": lambda _: RefusingLibrary()}))
    file = KmsgFile(tmp_path / "kmsg", run=lambda call: call())
    try:
        file.show(log)
        said = subprocess.run(["head", "-n", "1", tmp_path / "kmsg"], check=True, capture_output=True)  # noqa: S607 # any head

        assert said.stdout.decode() == f"6,0,0,-;{BOOTED}\n"
    finally:
        file.close()
    assert not os.path.ismount(tmp_path / "kmsg")


def test_a_mount_that_fails_says_why(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fuse_file, "missing_for_fuse", lambda: "there is no /dev/fuse")
    with pytest.raises(NoFuseError, match="there is no /dev/fuse"):
        KmsgFile(tmp_path / "kmsg", run=lambda call: call())
