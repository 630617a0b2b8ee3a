"""Header files at a real mount point, used by real programs; and as a plain folder without FUSE."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from simulator.edges.calls import Calls
from simulator.edges.fuse_mount import FolderInUseError, NoFuseError, missing_for_fuse
from simulator.edges.gpio_tree import gpio_tree
from simulator.edges.header_files import HeaderFiles
from simulator.edges.header_folder import HeaderFolder
from simulator.edges.pacing import Driver
from simulator.model import Model

from .other_namespace import copy_of_all_mounts

Build = Callable[..., Model]


class Shell:
    """Runs commands while the model is served; *gpio* is class/gpio."""

    def __init__(self, driver: Driver, gpio: Path) -> None:
        self.driver, self.gpio = driver, gpio

    def __call__(self, script: str) -> subprocess.CompletedProcess[str]:
        done: list[subprocess.CompletedProcess[str]] = []

        def run() -> None:
            # Not with cwd=: a child that changes into the mount before its exec keeps us from serving.
            command = ["sh", "-c", f'cd "$0" || exit; {script}', str(self.gpio)]
            done.append(subprocess.run(command, check=False, capture_output=True, text=True))

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
    files = HeaderFiles(gpio_tree(driver.model.board.lines), tmp_path / "sys", run=calls.run)
    yield Shell(driver, tmp_path / "sys" / "class" / "gpio")
    calls.close()
    files.close()
    assert not os.path.ismount(tmp_path / "sys")


@pytest.fixture
def folder(build: Build, tmp_path: Path) -> Iterator[Shell]:
    """The tree as plain files, at real pace."""
    driver = Driver(build(), factor=1.0)
    files = HeaderFolder(
        gpio_tree(driver.model.board.lines), tmp_path / "sys", recorder=driver.model.recorder
    )
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
        echo 84 >export; until [ -e gpio84/value ]; do sleep 0.01; done
        echo low >gpio84/direction; sleep 0.1
        echo 1 >gpio84/value; sleep 0.1; cat gpio84/direction gpio84/value
        """
    )

    assert result.stdout == "out\n1\n"
    assert shell.driver.model.board.level_at("16") is True


def test_the_chip_tells_its_numbers_and_a_line_obeys_its_polarity(shell: Shell) -> None:
    result = shell(
        """
        cat gpiochip0/base gpiochip0/label gpiochip0/ngpio
        echo 85 >export; until [ -e gpio85/value ]; do sleep 0.01; done
        echo 1 >gpio85/active_low; sleep 0.1
        echo high >gpio85/direction; sleep 0.1; cat gpio85/value
        echo 1 >gpio85/value; sleep 0.1; cat gpio85/value
        """
    )

    assert result.stdout.split() == ["0", "gpiochip0", "128", "0", "1"]
    assert shell.driver.model.board.level_at("18") is False


def test_an_unexported_folder_goes(shell: Shell) -> None:
    shell("echo 84 >export; until [ -e gpio84/value ]; do sleep 0.01; done; echo 84 >unexport; sleep 0.1")

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
        mv export import
        ln -s export import
        ln export import
        ./export
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
        *["Operation not permitted"] * 5,
        "Permission denied",
    ]


def test_what_scripts_do_to_files_of_sysfs_is_borne(mounted: Shell) -> None:
    result = mounted(
        """
        set -e
        echo 84 >>export
        chown root:root gpio84/value
        chmod 664 gpio84/value
        touch gpio84/value
        echo out >>gpio84/direction
        printf 1 | dd of=gpio84/value bs=1 status=none
        test -w gpio84/value
        test ! -x gpio84/value
        head -c 1 gpio84/value
        """
    )

    assert (result.returncode, result.stdout, result.stderr) == (0, "1", "")


def test_a_level_that_changes_by_itself_is_read_anew(mounted: Shell) -> None:
    mounted("echo 84 >export")
    before = mounted("cat gpio84/value").stdout
    mounted.driver.model.board.drive("16", True, by="test")
    after = mounted("cat gpio84/value").stdout

    assert (before, after) == ("0\n", "1\n")


def test_the_working_folder_of_this_process_stays_where_it_was(mounted: Shell) -> None:
    assert mounted.gpio.is_absolute()
    assert Path.cwd() != Path("/")


def test_a_link_to_the_folder_does_as_well(build: Build, tmp_path: Path) -> None:
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to("real")
    driver = Driver(build(), factor=1.0)
    calls = Calls()
    driver.descriptors.add_reader(calls.fileno(), calls.process)
    files = HeaderFiles(gpio_tree(driver.model.board.lines), tmp_path / "link" / "sys", run=calls.run)
    names = Shell(driver, tmp_path / "link" / "sys" / "class" / "gpio")("ls").stdout.split()
    calls.close()
    files.close()

    assert names == ["export", "gpiochip0", "unexport"]
    assert list((tmp_path / "real" / "sys").iterdir()) == []


def test_a_folder_that_is_served_already_is_refused(mounted: Shell) -> None:
    model, folder = mounted.driver.model, mounted.gpio.parents[1]

    with pytest.raises(FolderInUseError, match="mounted there already"):
        HeaderFiles(gpio_tree(model.board.lines), folder, run=lambda call: call())
    with pytest.raises(FolderInUseError, match="mounted there already"):
        HeaderFolder(gpio_tree(model.board.lines), folder, recorder=model.recorder)


def test_a_mount_that_fails_is_named_and_leaves_nothing(
    build: Build, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import mfusepy

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError(1)

    monkeypatch.setattr(mfusepy, "FUSE", fail)

    with pytest.raises(NoFuseError, match="the mount at .* failed .* may this user mount FUSE"):
        HeaderFiles(gpio_tree(build().board.lines), tmp_path / "sys", run=lambda call: call())


_SIGNALS = """
import os, pathlib, signal, sys
from simulator.edges.header_files import HeaderFiles
from tests_model import tree

def caught():
    for line in pathlib.Path("/proc/self/status").read_text().splitlines():
        if line.startswith("SigCgt:"):
            return int(line.split()[1], 16) & 0x7FFFFFFF  # beyond are the C library's own

before = caught()
files = HeaderFiles(tree(), pathlib.Path(sys.argv[1]), run=lambda call: call())
during = caught()
files.close()
print(before == during == caught(), flush=True)
files = HeaderFiles(tree(), pathlib.Path(sys.argv[1]), run=lambda call: call())
os.kill(os.getpid(), signal.SIGTERM)
"""


def test_signals_stay_with_whoever_has_them(tmp_path: Path) -> None:
    (tmp_path / "tests_model.py").write_text(
        "from pathlib import Path\n"
        "from hil.bench.files import load_bench\n"
        "from hil.bench.shipped import find_bench\n"
        "from simulator.edges.gpio_tree import gpio_tree\n"
        "from simulator.model import Model\n"
        "def tree(): return gpio_tree(Model(load_bench(find_bench('gauge-station')).settings).board.lines)\n"
    )
    (tmp_path / "program.py").write_text(_SIGNALS)
    result = subprocess.run(
        [sys.executable, str(tmp_path / "program.py"), str(tmp_path / "sys")],
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
    )
    subprocess.run(["fusermount3", "-u", "-z", tmp_path / "sys"], check=False)  # noqa: S607 # wherever it is

    assert result.stdout == "True\n"
    assert result.returncode == -signal.SIGTERM, result.stderr


@pytest.mark.slow
def test_many_mounts_leave_no_thread_no_descriptor_and_no_mount(build: Build, tmp_path: Path) -> None:
    tree = gpio_tree(build().board.lines)

    def once() -> tuple[int, int, str]:
        HeaderFiles(tree, tmp_path / "sys", run=lambda call: call()).close()
        mounts = [x for x in Path("/proc/self/mountinfo").read_text().splitlines() if str(tmp_path) in x]
        return threading.active_count(), len(list(Path("/proc/self/fd").iterdir())), "".join(mounts)

    first = once()
    later = [once() for _ in range(30)]

    assert set(later) == {first}


def test_a_level_that_changes_by_itself_is_shown_in_a_plain_file(folder: Shell) -> None:
    folder("echo 84 >export; until [ -e gpio84/value ]; do sleep 0.01; done")
    before = (folder.gpio / "gpio84" / "value").read_text()
    model = folder.driver.model
    model.board.drive("16", True, by="test")
    model.board.lines.changed.announce(model.board.lines.line(84))

    assert (before, (folder.gpio / "gpio84" / "value").read_text()) == ("0\n", "1\n")


def test_a_write_that_comes_amid_a_refresh_is_not_lost(build: Build, tmp_path: Path) -> None:
    model = build()
    files = HeaderFolder(gpio_tree(model.board.lines), tmp_path / "own", recorder=model.recorder)
    gpio = tmp_path / "own" / "class" / "gpio"
    (gpio / "export").write_text("84\n")
    files._refresh()
    files.process()
    (gpio / "gpio84" / "direction").write_text("high\n")
    files._refresh()
    model.board.lines.changed.announce(model.board.lines.line(84))
    files.process()
    shown = (gpio / "gpio84" / "direction").read_text(), (gpio / "export").read_text()
    files.close()

    assert model.board.level_at("16") is True
    assert shown == ("out\n", "")


def test_somebody_s_files_are_not_taken_for_ours(build: Build, tmp_path: Path) -> None:
    model = build()
    (tmp_path / "class").mkdir()
    (tmp_path / "thesis.txt").write_text("years of work")

    with pytest.raises(FolderInUseError, match=r"it holds files of somebody else's \(class, thesis.txt\)"):
        HeaderFolder(gpio_tree(model.board.lines), tmp_path, recorder=model.recorder)
    assert (tmp_path / "thesis.txt").read_text() == "years of work"


def test_what_a_killed_server_left_is_taken_over(build: Build, tmp_path: Path) -> None:
    model = build()
    (tmp_path / "class" / "gpio" / "gpio84").mkdir(parents=True)
    (tmp_path / "class" / "gpio" / "gpio84" / "value").write_text("1\n")
    files = HeaderFolder(gpio_tree(model.board.lines), tmp_path, recorder=model.recorder)
    names = sorted(entry.name for entry in (tmp_path / "class" / "gpio").iterdir())
    files.close()

    assert names == ["export", "gpiochip0", "unexport"]


def test_a_refused_write_to_a_plain_file_is_recorded(folder: Shell) -> None:
    folder("echo 84 >export; until [ -e gpio84/value ]; do sleep 0.01; done; echo 1 >gpio84/value; sleep 0.1")
    refused = [event.more for event in folder.driver.model.recorder.take() if event.what == "refused"]

    assert refused == [{"path": "class/gpio/gpio84/value", "error": "EPERM"}]


WAIT_FOR_EDGE = """
import select, sys
value = open("gpio84/value", "rb", buffering=0)
poller = select.poll()
poller.register(value, select.POLLPRI | select.POLLERR)
seen = [poller.poll(0) != []]      # nobody has read it yet
value.read()
seen.append(poller.poll(0) != [])
print("ready", flush=True)
poller.poll()
value.seek(0)
seen.append(value.read())
seen.append(poller.poll(0) != [])
print(seen)
"""


def test_a_poll_of_a_value_waits_for_the_edge(mounted: Shell) -> None:
    timeline, board = mounted.driver.model.timeline, mounted.driver.model.board
    for after_s, level in ((0.5, True), (0.7, False)):  # the second is not asked for
        timeline.call_in(int(after_s * 1e9), lambda level=level: board.drive("16", level, by="test"))  # type: ignore[misc] # a default captures
    result = mounted(
        f"""
        echo 84 >export; echo rising >gpio84/edge
        {sys.executable} -u -c '{WAIT_FOR_EDGE}' 2>&1
        """
    )

    # What comes first was seen on this kernel with every file of sysfs: before the first read a poll returns.
    assert result.stdout == "ready\n[True, False, b'1\\n', False]\n"


def test_a_line_that_goes_wakes_nobody_and_leaves_nothing(mounted: Shell) -> None:
    result = mounted(
        "echo 84 >export; exec 3<gpio84/value; echo 84 >unexport; cat <&3; readlink gpiochip0/subsystem"
    )

    assert "No such file" in result.stderr or "No such device" in result.stderr
    assert result.stdout == "../../../class/gpio\n"


def test_what_fuse_lacks_is_named_with_its_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")

    assert missing_for_fuse() == "there is no fusermount3: install the package fuse3"


def test_a_missing_device_is_named_with_its_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(Path, "exists", lambda path: str(path) != "/dev/fuse")

    assert missing_for_fuse() == (
        "there is no /dev/fuse: load the kernel module fuse, or allow the device in the container"
    )


def test_a_missing_library_is_named_with_its_cure(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "mfusepy", None)

    assert str(missing_for_fuse()).endswith(": install the package fuse3")


def test_requests_after_the_model_has_gone_end_with_an_error(build: Build, tmp_path: Path) -> None:
    driver = Driver(build(), factor=1.0)
    calls = Calls()
    files = HeaderFiles(gpio_tree(driver.model.board.lines), tmp_path / "sys", run=calls.run)
    calls.close()
    result = subprocess.run(["ls", tmp_path / "sys"], check=False, capture_output=True, text=True)  # noqa: S607 # any ls
    files.close()

    assert "No such device" in result.stderr


def test_a_mount_goes_also_while_others_have_a_copy_of_it(build: Build, tmp_path: Path) -> None:
    model = build()
    files = HeaderFiles(gpio_tree(model.board.lines), tmp_path / "sys", run=lambda call: call())
    with copy_of_all_mounts():
        began = time.monotonic()
        files.close()

        assert time.monotonic() - began < 1.5
        assert not os.path.ismount(tmp_path / "sys")
