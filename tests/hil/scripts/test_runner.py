"""Scripts in the sandbox: what they see, what they cannot, and what is recorded of them."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.errors import BenchUnfitError
from hil.scripts.runner import ScriptRun, run_script
from hil.scripts.sandbox import passed_on, probe

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
    assert 0.59e9 < pulse.width_ns < 0.9e9
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


def test_a_command_that_does_not_exist_is_the_script_s_failure(
    describe: Callable[..., Any], tmp_path: Path
) -> None:
    result = run_script(describe(), ["no-such-command"], folder=tmp_path)

    assert result.status == 1
    assert b"No such file" in result.stderr


def test_without_bubblewrap_the_part_and_the_cure_are_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("PATH", "/nonexistent")

    with pytest.raises(
        BenchUnfitError, match="sandbox: there is no bwrap; install the package bubblewrap; suites"
    ):
        probe()


def test_variables_are_passed_on_by_name_or_value(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("A", "1")
    monkeypatch.delenv("B", raising=False)

    assert passed_on(["A", "B", "C=x=y"]) == {"A": "1", "C": "x=y"}
