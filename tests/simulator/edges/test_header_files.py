"""Header files at a real mount point, used by real programs; and as a plain folder without FUSE."""

from __future__ import annotations

import os
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from simulator.edges.calls import Calls
from simulator.edges.gpio_tree import GpioTree
from simulator.edges.header_files import HeaderFiles, missing_for_fuse
from simulator.edges.header_folder import HeaderFolder
from simulator.edges.pacing import Driver
from simulator.model import Model

Build = Callable[..., Model]


class Shell:
    """Runs commands while the model is served; *gpio* is class/gpio."""

    def __init__(self, driver: Driver, gpio: Path) -> None:
        self.driver, self.gpio = driver, gpio

    def __call__(self, script: str) -> subprocess.CompletedProcess[str]:
        done: list[subprocess.CompletedProcess[str]] = []

        def run() -> None:
            command = ["sh", "-c", script]
            done.append(subprocess.run(command, cwd=self.gpio, check=False, capture_output=True, text=True))

        thread = threading.Thread(target=run)
        thread.start()
        while thread.is_alive():
            self.driver.wait(self.driver.model.timeline.now_ns + 2_000_000)
        return done[0]


@pytest.fixture
def mounted(build: Build, tmp_path: Path) -> Iterator[Shell]:
    """The tree on FUSE, at real pace."""
    assert missing_for_fuse() is None
    driver = Driver(build(), factor=1.0)
    calls = Calls()
    driver.descriptors.add_reader(calls.fileno(), calls.process)
    files = HeaderFiles(GpioTree(driver.model.board.lines), tmp_path / "sys", run=calls.run)
    yield Shell(driver, tmp_path / "sys" / "class" / "gpio")
    calls.close()
    files.close()
    assert not os.path.ismount(tmp_path / "sys")


@pytest.fixture
def folder(build: Build, tmp_path: Path) -> Iterator[Shell]:
    """The tree as plain files, at real pace."""
    driver = Driver(build(), factor=1.0)
    files = HeaderFolder(GpioTree(driver.model.board.lines), tmp_path / "sys", recorder=driver.model.recorder)
    driver.descriptors.add_reader(files.fileno(), files.process)
    yield Shell(driver, tmp_path / "sys" / "class" / "gpio")
    files.close()


@pytest.fixture(params=["mounted", "folder"])
def shell(request: pytest.FixtureRequest) -> Shell:
    """Either way of serving the tree."""
    found: Shell = request.getfixturevalue(request.param)
    return found


def test_a_shell_exports_drives_and_reads_a_line(shell: Shell) -> None:
    result = shell(
        """
        echo 84 >export; until [ -d gpio84 ]; do sleep 0.01; done
        echo low >gpio84/direction; sleep 0.1
        echo 1 >gpio84/value; sleep 0.1; cat gpio84/direction gpio84/value
        """
    )

    assert result.stdout == "out\n1\n"
    assert shell.driver.model.board.level_at("16") is True


def test_an_unexported_folder_goes(shell: Shell) -> None:
    shell("echo 84 >export; until [ -d gpio84 ]; do sleep 0.01; done; echo 84 >unexport; sleep 0.1")

    assert shell("ls").stdout.split() == ["export", "gpiochip0", "unexport"]


def test_the_shell_is_told_what_the_kernel_would_tell(mounted: Shell) -> None:
    result = mounted(
        """
        /bin/echo 84 >export
        /bin/echo 84 >export
        /bin/echo 1 >gpio84/value
        /bin/echo nonsense >gpio84/direction
        /bin/echo 1 >gpio99/value
        cat export
        touch new
        rm export
        mkdir folder
        """
    )
    errors = [line.rsplit(": ", 1)[1] for line in result.stderr.splitlines()]

    assert errors == [
        "Device or resource busy",
        "Operation not permitted",
        "Invalid argument",
        "Directory nonexistent",
        "Permission denied",
        "Permission denied",
        "Operation not permitted",
        "Operation not permitted",
    ]


def test_a_level_that_changes_by_itself_is_read_anew(mounted: Shell) -> None:
    mounted("echo 84 >export")
    before = mounted("cat gpio84/value").stdout
    mounted.driver.model.board.drive("16", True, by="test")
    after = mounted("cat gpio84/value").stdout

    assert (before, after) == ("0\n", "1\n")


def test_the_working_folder_of_this_process_stays_where_it_was(mounted: Shell) -> None:
    assert mounted.gpio.is_absolute()
    assert Path.cwd() != Path("/")


def test_a_refused_write_to_a_plain_file_is_recorded(folder: Shell) -> None:
    folder("echo 84 >export; until [ -d gpio84 ]; do sleep 0.01; done; echo 1 >gpio84/value; sleep 0.1")
    refused = [event.more for event in folder.driver.model.recorder.take() if event.what == "refused"]

    assert refused == [{"path": "class/gpio/gpio84/value", "error": "EPERM"}]


def test_what_fuse_lacks_is_named_with_its_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")

    assert missing_for_fuse() == "there is no fusermount3: install the package fuse3"


def test_requests_after_the_model_has_gone_end_with_an_error(build: Build, tmp_path: Path) -> None:
    driver = Driver(build(), factor=1.0)
    calls = Calls()
    files = HeaderFiles(GpioTree(driver.model.board.lines), tmp_path / "sys", run=calls.run)
    calls.close()
    result = subprocess.run(["ls", tmp_path / "sys"], check=False, capture_output=True, text=True)  # noqa: S607 # any ls
    files.close()

    assert "No such device" in result.stderr
