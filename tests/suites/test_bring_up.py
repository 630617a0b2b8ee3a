"""`bring_up.sh`, unmodified and at virtual pace, from every state it has to cope with.

The runs are all under way at the same time: none may notice how busy the machine is.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from hil.recording.query import Recording
from hil.recording.store import load

TOP = Path(__file__).parents[2]
BENCHES = TOP / "suites" / "benches"
PROFILE = TOP / "simulator" / "profiles" / "tarn-l4.toml"
WAKEBENCH = Path(sys.executable).with_name("wakebench")
SCRIPT = "suites/scripts/bring_up.sh"

NETWORK = '[start]\nmodule = "ready"\n[network]\n'
START = '[start]\nmodule = "ready"'
PIN = 'pin = { env = "CARD_PIN", default = "1234" }'
NO_CARD = '[card]\nimsi = "001010123456789"\n' + PIN

# A process that waits until the key is pressed before it goes on.
UNTIL_PRESSED = 'until [ "$(cat /sys/class/gpio/gpio84/value 2>/dev/null)" = 1 ]; do sleep 0.05; done'


@dataclass(frozen=True, kw_only=True)
class Run:
    """One run: a demo bench with changes to its text, and what the script's header comment promises.

    *lines* of shell are run instead of the script alone; *presses* is what the start costs, None where
    it depends on instants.
    """

    bench: str = "already-on"
    changes: Mapping[str, str] = field(default_factory=dict)
    lines: str = ""
    status: int = 0
    presses: int | None = 0
    says: str = ""


RUNS = {
    # The states in which the modem, or what belongs to it, may be found.
    "off": Run(bench="gauge-station", presses=1, says="clock"),
    "on": Run(says="clock"),
    "on the rail": Run(bench="key-on-rail", says="clock"),
    "booting": Run(changes={START: '[start]\nmodule = "booting"'}, says="clock"),
    "stopping": Run(changes={START: '[start]\nmodule = "stopping"'}, presses=1, says="clock"),
    "dead": Run(bench="dead-module", status=10, presses=1, says="modem dead, or no supply"),
    "without USB": Run(
        changes={START: '[start]\nmodule = "booting"', '"tarn-l4"': '"slow-usb.toml"'},
        status=14,
        says="answers on its UART, but shows no port",
    ),
    "radio line high": Run(bench="radio-line-high", status=20, presses=1, says="the line at GPIO 85 is high"),
    "radio off": Run(
        lines=(
            "stty -F /dev/ttyUSB3 raw -echo; exec 4<>/dev/ttyUSB3; printf 'AT+CFUN=4\\r' >&4; sleep 2;"
            f" exec 4>&-; {SCRIPT}"
        ),
        says="clock",
    ),
    "no card": Run(changes={NO_CARD: ""}, status=30, says="no card"),
    "no PIN": Run(changes={PIN: ""}, says="clock"),
    "wrong PIN": Run(changes={PIN: 'pin = "4321"'}, status=33, says="the PIN is wrong; 2 tries left"),
    "one try left": Run(changes={PIN: f"{PIN}\npin_tries = 1"}, status=32, says="1 PIN tries left"),
    "PUK": Run(changes={PIN: f"{PIN}\npin_tries = 0"}, status=31, says="the card wants SIM PUK"),
    "no PIN to enter": Run(lines=f"CARD_PIN='12;ls' {SCRIPT}", status=33, says="CARD_PIN is not a PIN"),
    "denied": Run(changes={START: f"{NETWORK}deny_cause = 11"}, status=41, says="denied: .*cause 11"),
    "no network": Run(
        changes={START: f"{NETWORK}present = false"},
        lines=f"sed s/^NETWORK_STEPS=.*/NETWORK_STEPS=3/ {SCRIPT} >/tmp/hasty && sh /tmp/hasty",
        status=40,
        says="stat is 2",
    ),
    "no time": Run(changes={START: f"{NETWORK}gives_time = false"}, status=50, says='clock says "80/01/06'),
    # What others do to the host.
    "no such line": Run(
        changes={"[host]\n": "[host]\ngpio_base = 400\n"}, status=60, says="GPIO 85 cannot be claimed"
    ),
    "inverted line": Run(
        lines=(
            "cd /sys/class/gpio; echo 84 >export; echo low >gpio84/direction; echo 1 >gpio84/active_low; "
            f"cd - >/dev/null; {SCRIPT}"
        ),
        status=60,
        says="GPIO 84 is inverted by somebody else",
    ),
    "another run": Run(
        lines=f"{SCRIPT} >/tmp/first & sleep 1; {SCRIPT}; s=$?; wait $! && cat /tmp/first && exit $s",
        status=61,
        says="another run is under way: process [0-9]+\n(.*\n)*.*clock",
    ),
    "stale lock": Run(lines=f"echo 99999 >/run/lock/bring_up; {SCRIPT}", says="clock"),
    "twice": Run(lines=f"{SCRIPT} && {SCRIPT}", says="clock.*\n(.*\n)*.*clock"),
    # Its end.
    "terminated": Run(
        bench="gauge-station",
        lines=f"{SCRIPT} & {UNTIL_PRESSED}; kill -TERM $!; wait $!",
        status=70,
        presses=1,
    ),
    "hung up": Run(
        bench="gauge-station",
        lines=f"{SCRIPT} & {UNTIL_PRESSED}; kill -HUP $!; wait $!",
        status=129,
        presses=1,
    ),
    "killed, then again": Run(
        bench="gauge-station",
        lines=f"{SCRIPT} & {UNTIL_PRESSED}; kill -KILL $!; wait $!; {SCRIPT}",
        says="clock",
        presses=None,  # the first may have been long enough
    ),
    "leaves nothing": Run(
        lines=f"{SCRIPT} >~/out; ls -A /run/lock; ls /tmp | grep -c '^tmp[.]'; ls /proc | grep -c '^[0-9]'",
        # The list of processes: the sandbox's first one, this shell, ls and grep.
        says=r"^0\n4\n",
    ),
    "over its time": Run(
        bench="dead-module",
        lines=f"sed s/^WHOLE_S=.*/WHOLE_S=2/ {SCRIPT} >/tmp/hasty && sh /tmp/hasty",
        status=70,
    ),
}


@dataclass(frozen=True, kw_only=True)
class Outcome:
    """What came of one run."""

    code: int
    output: str
    recording: Recording


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Outcome]:
    """The outcome of every run."""
    folder = tmp_path_factory.mktemp("bring_up")
    slow = PROFILE.read_text().replace(
        "usb_appears_s = { typ = 9.0, min = 7.5, max = 11.0 }", "usb_appears_s = 99.0"
    )
    (folder / "slow-usb.toml").write_text(slow.replace('"tarn-l4"', '"slow-usb"'))
    environment = {name: value for name, value in os.environ.items() if name != "CARD_PIN"}
    processes = {}
    for name, run in RUNS.items():
        text = (BENCHES / f"{run.bench}.toml").read_text()
        for old, new in run.changes.items():
            assert old in text, f"{run.bench} has no {old!r} to change"
            text = text.replace(old, new)
        bench = folder / f"{name.replace(' ', '-')}.toml"
        bench.write_text(text)
        command = [str(WAKEBENCH), "script", str(bench), "--recording", str(bench.with_suffix(".jsonl"))]
        command += [
            "--expect-exit",
            str(run.status),
            "--",
            *(["sh", "-c", run.lines] if run.lines else [SCRIPT]),
        ]
        processes[name] = subprocess.Popen(
            command, cwd=TOP, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
        )
    outcomes = {}
    for name, process in processes.items():
        output, _ = process.communicate(timeout=300)
        kept = folder / f"{name.replace(' ', '-')}.jsonl"
        outcomes[name] = Outcome(code=process.returncode, output=output, recording=load(kept))
    return outcomes


@pytest.mark.slow
@pytest.mark.parametrize("name", list(RUNS))
def test_it_ends_with_its_documented_code_and_presses_only_on_proof_of_off(
    runs: dict[str, Outcome], name: str
) -> None:
    outcome, run = runs[name], RUNS[name]
    pulses = outcome.recording.pulses("header/16", True)

    assert outcome.code == 0, outcome.output
    assert outcome.recording.on("script/2", "exit")[0].more["status"] == run.status
    assert re.search(run.says, outcome.output), outcome.output
    if run.presses is None:
        assert 1 <= len(pulses) <= 2
    else:
        assert len(pulses) == run.presses
    # Inside the good window of the profile, 1.1 x 0.7 s to 3.5 s, unless it was cut short by its own end.
    shortest_ns = 0 if name in ("terminated", "hung up", "killed, then again") else 0.77e9
    assert all(shortest_ns <= pulse.width_ns <= 3.5e9 for pulse in pulses)


@pytest.mark.slow
def test_the_recording_shows_why(runs: dict[str, Outcome]) -> None:
    def registered(name: str) -> list[str]:
        return [change.after for change in runs[name].recording.states("module/registration")]

    for name in ("off", "on", "on the rail", "booting", "stopping", "no PIN", "killed, then again"):
        assert registered(name)[-1] == "registered home"
    assert registered("radio line high") == registered("dead") == registered("wrong PIN") == []
    assert [c.after for c in runs["radio line high"].recording.states("module/radio")][-1] == "4"
    assert runs["dead"].recording.states("module/power") == []
    assert registered("denied")[-1] == "denied"


@pytest.mark.slow
@pytest.mark.parametrize("name", list(RUNS))
def test_the_key_s_line_is_idle_at_the_end_and_no_secret_is_wasted(
    runs: dict[str, Outcome], name: str
) -> None:
    recording = runs[name].recording
    sent = recording.text("port/at", "to_module")
    levels = [event.more["value"] for event in recording.on("header/16", "level")]

    assert levels[-1] in (0, None)
    assert sent.count(b"AT+CPIN=") <= 1
    assert b"AT+CPIN=" not in sent or name not in ("no PIN", "one try left", "PUK", "no PIN to enter")
    # A PUK goes with a new PIN: two values.
    assert b'","' not in sent


@pytest.mark.slow
def test_the_radio_s_line_is_left_to_whoever_holds_it(runs: dict[str, Outcome]) -> None:
    levels = {
        name: {event.more["value"] for event in outcome.recording.on("header/18", "level")}
        for name, outcome in runs.items()
    }

    assert levels.pop("radio line high") == {1}
    # Let go, the stage's own resistors hold the pin low.
    assert set().union(*levels.values()) <= {0}


@pytest.mark.slow
def test_commands_are_whole_and_end_with_one_carriage_return(runs: dict[str, Outcome]) -> None:
    for name, outcome in runs.items():
        sent = outcome.recording.text("port/at", "to_module") + outcome.recording.text(
            "port/uart", "to_module"
        )

        assert re.fullmatch(rb"(AT[^\r\n]*\r|\r)*", sent), name
