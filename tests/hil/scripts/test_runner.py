"""Scripts in the sandbox: what they see, what they cannot, and what is recorded of them."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.errors import BenchUnfitError, MissingFileError, UsageError
from hil.recording.store import load
from hil.scripts import output, runner
from hil.scripts.runner import ScriptRun, run_script

Run = Callable[..., ScriptRun]


@pytest.fixture
def run(describe: Callable[..., Any], tmp_path: Path) -> Run:
    """Run a shell script against a demo bench."""

    def run(script: str, *, name: str = "already-on", **options: Any) -> ScriptRun:  # noqa: ANN401 # of run_script
        (tmp_path / "script.sh").write_text(script)
        return run_script(describe(name), ["sh", "script.sh"], folder=tmp_path, **options)

    return run


def test_status_output_and_recording(run: Run) -> None:
    result = run("echo out; echo err >&2; exit 7")
    events = [(event.what, dict(event.more)) for event in result.recording.on("script/2")]

    assert (result.status, result.stdout, result.stderr) == (7, b"out\n", b"err\n")
    assert events[0] == ("start", {"command": "sh script.sh"})
    assert ("stdout", {"text": "out\n"}) in events
    assert ("stderr", {"text": "err\n"}) in events
    assert events[-1] == ("exit", {"status": 7})


def test_the_command_s_own_process_number_is_two_and_the_user_is_root(run: Run) -> None:
    assert run("echo $$ $(id -u)").stdout == b"2 0\n"


def test_the_ports_are_there_under_the_host_s_names_and_answer(run: Run) -> None:
    result = run(
        """
        ls /dev | grep -e ttyUSB -e ttyS | tr '\\n' ' '
        stty -F /dev/ttyUSB3 115200 raw -echo
        exec 3<>/dev/ttyUSB3
        printf 'ATE0\\r' >&3
        timeout 5 head -n 2 <&3 >/dev/null
        printf 'AT+CGMR\\r' >&3
        timeout 5 head -n 2 <&3 | tail -n 1 | tr -d '\\r'
        """
    )

    assert result.stdout == b"ttyS1 ttyUSB0 ttyUSB1 ttyUSB2 ttyUSB3 TL4-1.4.2\n"


def test_ports_come_and_go_while_the_script_looks(run: Run) -> None:
    result = run(
        """
        echo 84 >/sys/class/gpio/export
        echo high >/sys/class/gpio/gpio84/direction
        sleep 0.6
        echo 0 >/sys/class/gpio/gpio84/value
        n=0; while [ -e /dev/ttyUSB3 ] && [ $n -lt 100 ]; do sleep 0.1; n=$((n + 1)); done
        [ -e /dev/ttyUSB3 ] || echo gone
        """
    )
    [pulse] = result.recording.pulses("header/16", True)

    assert result.stdout == b"gone\n"
    assert 0.59e9 < pulse.width_ns < 3e9
    assert result.recording.states("module/power")[-1].after == "off"


@pytest.mark.parametrize(
    "attempt",
    [
        "echo x >/etc/wakebench-was-here",
        "echo x >script.sh",
        "ls /root/.ssh",
        "kill -0 1000",
        "cat /sys/kernel/notes",
        "ls /sys/class/net/lo",
        "cat /dev/mem",
        "umount /root",
        "mount -t tmpfs none /mnt",
        "echo 1 >/proc/sys/vm/drop_caches",
        "mknod /tmp/mem c 1 1",
        "hostname somewhere-else",
    ],
)
def test_what_lies_outside_cannot_be_touched_or_seen(run: Run, attempt: str) -> None:
    assert run(f"{attempt} || exit 9").status == 9


def test_there_is_no_network_but_an_idle_loopback(run: Run) -> None:
    assert run("cat /proc/net/dev | tail -n +3 | cut -d : -f 1 | tr -d ' '").stdout == b"lo\n"


def test_scratch_folders_are_empty_writable_and_gone_afterwards(run: Run) -> None:
    first = run("touch /tmp/mark ~/mark && ls /tmp ~ | grep -c mark")
    second = run("ls /tmp ~ | grep -c mark")

    assert first.stdout == b"2\n"
    assert second.stdout == b"0\n"


def test_locks_and_logs_have_their_places(run: Run) -> None:
    assert run("touch /run/lock/x /var/lock/x /var/log/x /var/tmp/x /dev/shm/x").status == 0


def test_a_script_has_no_power_and_no_descriptor_of_ours(run: Run) -> None:
    result = run(
        "grep -c 'Cap[A-Za-z]*:.*[1-9a-f]' /proc/self/status; ls -l /proc/self/fd | grep -c -e pipe -e null"
    )

    # Standard input, output and error; `ls` opens a folder beside, which is neither.
    assert result.stdout == b"0\n3\n"


def test_the_caller_s_home_is_hidden_wherever_it_is(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("HOME", "/usr/share")

    assert run("ls -A /usr/share | wc -l").stdout == b"0\n"


@pytest.mark.parametrize("folder", ["/", "/tmp", "/var", "/dev", "/sys/class"])  # noqa: S108 # hidden there
def test_no_working_folder_uncovers_what_is_hidden_or_made(
    describe: Callable[..., Any], tmp_path: Path, folder: str
) -> None:
    (tmp_path / "part.sh").write_text(
        "ls -A /sys; ls /home /root; touch /tmp/x /var/tmp/x; [ ! -e /dev/mem ]"
    )
    script = tmp_path / "script.sh"
    script.write_text('. "$(dirname "$0")"/part.sh; echo "$PWD"')
    result = run_script(describe(), ["sh", str(script)], folder=Path(folder))

    assert (result.stdout.decode(), result.stderr) == (
        f"bus\nclass\ndev\ndevices\n/home:\n\n/root:\n{folder}\n",
        b"",
    )


def test_files_that_a_command_names_are_seen_and_no_others(
    describe: Callable[..., Any], tmp_path: Path
) -> None:
    for name in ("script", "named", "secret"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "file").write_text(f"cat {tmp_path}/named/file; ls {tmp_path}")
    command = ["sh", f"{tmp_path}/script/file", f"{tmp_path}/named/file", "x" * 5000]
    result = run_script(describe(), command, folder=Path("/"))

    assert result.stdout.decode() == f"cat {tmp_path}/named/file; ls {tmp_path}named\nscript\n"


def test_the_environment_is_pinned_and_holds_what_was_passed_on(
    run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SECRET", "keep out")
    monkeypatch.setenv("CARD_PIN", "9999")
    result = run(
        "env | cut -d = -f 1 | sort | tr '\\n' ' '; echo $STATION $CARD_PIN",
        environment=["STATION=12", "CARD_PIN"],
    )

    assert result.stdout == (b"CARD_PIN HOME LANG LC_ALL PATH PWD PYTHONHASHSEED STATION TERM TZ 12 9999\n")


def test_a_script_that_goes_on_for_ever_is_ended_with_everything_it_started(run: Run) -> None:
    result = run("sleep 1000 & sleep 1000", limit_s=0.5)

    assert result.status is None
    assert result.recording.on("script/2")[-2].more == {"number": 9, "cause": "time limit"}
    assert result.bench_s < 5


def test_a_script_that_dies_by_a_signal_has_the_shell_s_status(run: Run) -> None:
    assert run("kill -TERM $$").status == 143


@pytest.mark.parametrize(
    ("command", "reason"),
    [
        ([], "found nothing; allowed: a program and its arguments"),
        (["no-such-command"], "found 'no-such-command'; allowed: a path, or a program in /usr/local/sbin"),
        (["data.txt"], "a program in .*; here it is ./data.txt"),
        (
            ["./data.txt"],
            r"a file that is not executable; allowed: .* \(chmod \+x\), or an interpreter .* sh ./",
        ),
        (["./folder"], "found a folder; allowed: an executable file"),
        (["echo", "a\0b"], r"found 'a.x00b'; allowed: words without NUL"),
        (["./unfit"], r"./unfit: cannot be run \(No such file or directory\)"),
    ],
)
def test_what_cannot_be_run_is_wrong_use_and_not_a_script_that_fails(
    describe: Callable[..., Any], tmp_path: Path, command: list[str], reason: str
) -> None:
    (tmp_path / "data.txt").write_text("data")
    (tmp_path / "folder").mkdir()
    (tmp_path / "unfit").write_text("#!/no/such/interpreter")
    (tmp_path / "unfit").chmod(0o755)

    with pytest.raises(UsageError, match=reason):
        run_script(describe(), command, folder=tmp_path)


def test_a_mistyped_path_is_named(describe: Callable[..., Any], tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match="scripts/bringup.sh: no such file; expected a script"):
        run_script(describe(), ["scripts/bringup.sh"], folder=tmp_path)


def _runs(marker: str) -> list[str]:
    """The processes of this machine whose command line holds *marker*."""
    found = []
    for process in Path("/proc").glob("[0-9]*/cmdline"):
        try:
            words = process.read_bytes()
        except OSError:  # gone meanwhile
            continue
        if marker.encode() in words:
            found.append(words.decode())
    return found


def test_nothing_that_a_script_has_left_behind_survives_it(run: Run) -> None:
    result = run("setsid sleep 1234.5 & (trap '' TERM HUP; exec sleep 1234.5) & sleep 0.1")

    assert result.status == 0
    assert _runs("1234.5") == []


def test_a_script_that_is_amid_a_header_file_can_be_ended(run: Run) -> None:
    began = time.monotonic()
    result = run(
        "echo 84 >/sys/class/gpio/export; while :; do cat /sys/class/gpio/gpio84/value; done", limit_s=1
    )

    assert result.status is None
    assert time.monotonic() - began < 4


def test_a_script_that_prints_for_ever_fills_no_memory(run: Run, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(output, "OUTPUT_LIMIT", 100_000)
    result = run("yes | head -c 1000000; echo end >&2")

    assert result.stdout == b"y\n" * 50_000
    assert [event.more for event in result.recording.on("script/2", "cut")] == [
        {"stream": "stdout", "kept": 100_000}
    ]
    assert (result.status, result.stderr) == (0, b"end\n")


def test_the_recording_is_kept_also_when_the_run_fails(describe: Callable[..., Any], tmp_path: Path) -> None:
    (tmp_path / "unfit").write_text("#!/no/such/interpreter")
    (tmp_path / "unfit").chmod(0o755)
    with pytest.raises(UsageError):
        run_script(describe(), ["./unfit"], folder=tmp_path, recording_path=tmp_path / "kept.jsonl")

    assert load(tmp_path / "kept.jsonl").on("script/2")[0].what == "start"


@pytest.mark.slow
@pytest.mark.parametrize(
    ("number", "status"), [(signal.SIGTERM, 3), (signal.SIGHUP, 3), (signal.SIGINT, 130)]
)
def test_a_run_that_is_interrupted_ends_in_good_order(tmp_path: Path, number: int, status: int) -> None:
    kept = tmp_path / "kept.jsonl"
    marker = f"{os.getpid()}{number:02d}.6"  # no other run of the tests sleeps for so long
    process = subprocess.Popen(
        [
            *(str(Path(sys.executable).with_name("wakebench")), "script", "already-on"),
            *("--pace", "real", "--recording", str(kept), "--"),
            *("sh", "-c", f"echo begun; exec sleep {marker}"),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={"PATH": "/usr/bin:/bin", "TMPDIR": str(tmp_path)},
        # Whatever started the tests may ignore SIGINT, and then so would the child.
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.default_int_handler) and None,  # noqa: PLW1509 # no threads yet
    )
    assert process.stdout is not None
    assert process.stdout.readline() == "begun\n"
    process.send_signal(number)
    _, stderr = process.communicate(timeout=30)

    assert process.returncode == status, stderr
    assert "Traceback" not in stderr
    if status == 3:
        assert f"interrupted by {signal.Signals(number).name}: the script and all it had started" in stderr
        assert load(kept).on("script/2")[-1].more == {"status": None}
    assert _runs(marker) == []
    assert str(tmp_path) not in Path("/proc/self/mountinfo").read_text()
    assert [path.name for path in tmp_path.iterdir()] == ["kept.jsonl"]


def test_a_reader_that_goes_away_ends_the_run(tmp_path: Path) -> None:
    wakebench = Path(sys.executable).with_name("wakebench")
    command = f"{wakebench} script already-on -- sh -c 'yes; sleep 3456.7' | head -n 1"
    result = subprocess.run(
        ["sh", "-c", command],  # noqa: S607 # any sh
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
        env={"PATH": "/usr/bin:/bin", "TMPDIR": str(tmp_path)},
    )

    assert result.stdout == "y\n"
    assert "Traceback" not in result.stderr
    assert _runs("3456.7") == []
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    ("line", "status", "said"),
    [
        (
            "{wakebench} -- echo hi >/dev/full",
            2,
            "wakebench: output: cannot be written (No space",
        ),
        ("{wakebench} --pace x10 -- echo hi >/dev/full", 2, "wakebench: output: cannot be written"),
        ("{wakebench} -- echo hi >&-", 0, "wakebench: status 0 (as expected)"),
        ("mkdir gone; cd gone; rmdir ../gone; {wakebench} -- true", 2, "wakebench: .: it has been removed"),
        ("{wakebench} --pace x10 --limit 1e9 -- true", 0, "wakebench: status 0 (as expected)"),
    ],
)
def test_what_is_odd_about_the_caller_s_shell_is_told_in_one_line(
    tmp_path: Path, line: str, status: int, said: str
) -> None:
    wakebench = f"{Path(sys.executable).with_name('wakebench')} script already-on"
    (tmp_path / "kept").mkdir()
    result = subprocess.run(
        ["sh", "-c", line.format(wakebench=wakebench)],  # noqa: S607 # any sh
        check=False,
        capture_output=True,
        text=True,
        timeout=60,
        cwd=tmp_path,
        env={"PATH": "/usr/bin:/bin", "TMPDIR": str(tmp_path / "kept")},
    )

    assert result.returncode == status
    assert result.stderr.startswith(said)
    assert "Traceback" not in result.stderr
    assert list((tmp_path / "kept").iterdir()) == []


@pytest.mark.parametrize("limit_s", [0.0, float("inf"), float("nan"), 1e300])
def test_a_limit_that_no_clock_can_hold_is_refused(run: Run, limit_s: float) -> None:
    with pytest.raises(UsageError, match="limit: found .* s; allowed: above 0, up to 1e.09"):
        run("true", limit_s=limit_s)


def test_a_script_has_its_own_descriptors_by_name(run: Run) -> None:
    assert run("echo hi >/dev/stdout; bash -c 'cat <(echo there)'").stdout == b"hi\nthere\n"


def test_where_virtual_time_does_not_work_a_run_is_made_at_real_pace_and_says_why(
    describe: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(runner, "why_not", lambda: "processes may not be traced here")
    result = run_script(describe("already-on"), ["sleep", "0.2"], factor=None, folder=tmp_path)

    assert result.status == 0
    assert result.wall_s >= 0.2
    assert not result.is_virtual
    assert result.notices == ("processes may not be traced here; the run was made at real pace",)
    with pytest.raises(BenchUnfitError, match="may not be traced"):
        run_script(describe("already-on"), ["true"], factor=None, folder=tmp_path, strict=True)
