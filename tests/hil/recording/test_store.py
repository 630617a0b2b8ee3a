"""Recordings on disk: written, read, cut."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.bench.simulated.bench import SimulatedBench
from hil.errors import BadFileError, MissingFileError
from hil.modem import Modem
from hil.recording.store import RecordingFile, load
from simulator.kernel.recorder import Event

HEAD = {"wakebench": 1, "kind": "simulated"}
EVENTS = [
    Event(0, "header/16", "level", {"value": 0, "by": "host"}),
    Event(5, "header/16", "level", {"value": 1, "by": "suite"}),
    Event(9, "header/16", "level", {"value": 0, "by": "suite"}),
    Event(9, "module/power", "state", {"from": "off", "to": "booting", "cause": "key"}),
    Event(12, "port/at", "to_module", {"text": "AT\r\u00ff"}),
    Event(13, "port/at", "from_module", {"text": "\r\nOK\r\n"}),
]


def write(path: Path) -> Path:
    file = RecordingFile(path, HEAD)
    file.add(EVENTS[:3])
    file.add(EVENTS[3:])
    file.close()
    return path


def test_what_is_written_is_read_again(tmp_path: Path) -> None:
    recording = load(write(tmp_path / "r.jsonl"))

    assert recording.head == HEAD
    assert list(recording) == EVENTS


def test_a_cut_last_line_is_tolerated(tmp_path: Path) -> None:
    path = write(tmp_path / "r.jsonl")
    path.write_bytes(path.read_bytes()[:-10])

    assert list(load(path)) == EVENTS[:-1]


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", 'line 1: found .*; allowed: a head with "wakebench": 1'),
        ('{"wakebench": 2}\n', "line 1"),
        (
            '{"wakebench": 1}\nnonsense\n{"t_ns": 1}\n',
            "line 2: found 'nonsense'; allowed: one JSON object a line",
        ),
        ('{"wakebench": 1}\n[1]\n', "line 2"),
    ],
)
def test_what_is_no_recording_is_refused_with_its_line(tmp_path: Path, text: str, message: str) -> None:
    path = tmp_path / "r.jsonl"
    path.write_text(text)

    with pytest.raises(BadFileError, match=message):
        load(path)


def test_a_missing_recording_is_told(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match="expected a recording"):
        load(tmp_path / "no.jsonl")


def test_questions(tmp_path: Path) -> None:
    recording = load(write(tmp_path / "r.jsonl"))

    assert recording.lanes() == ["header/16", "module/power", "port/at"]
    [pulse] = recording.pulses("header/16", True)
    assert (pulse.start_ns, pulse.width_ns) == (5, 4)
    assert [(change.before, change.after) for change in recording.states("module/power")] == [
        ("off", "booting")
    ]
    assert recording.text("port/at", "to_module") == b"AT\r\xff"
    assert [event.t_ns for event in recording.on("header/16", from_ns=5, to_ns=8)] == [5]
    assert [event.t_ns for event in recording.last(1)["header/16"]] == [9]


def test_the_head_pins_everything_and_names_no_path(describe: Callable[..., Any]) -> None:
    bench = SimulatedBench(describe())
    head = bench.recording.head
    bench.close()

    assert list(head) == [
        "wakebench", "kind", "bench", "profile", "wiring", "seed", "pace", "start_time", "pinned", "versions"
    ]  # fmt: skip
    assert head["start_time"] == "2026-01-15T06:00:00Z"
    assert head["pace"] == "virtual"
    assert str(head["bench"]).startswith("gauge-station sha256:")
    assert "/" not in json.dumps(head)


def test_a_changed_bench_has_another_hash(describe: Callable[..., Any]) -> None:
    one, other = describe().contents, describe(start={"module": "dead"}).contents

    assert one["bench"] != other["bench"]
    assert one["profile"] == other["profile"]


@pytest.mark.parametrize("ports", ["pty", "memory"])
def test_two_equal_runs_are_recorded_alike_to_the_byte(
    describe: Callable[..., Any], tmp_path: Path, ports: str
) -> None:
    contents = []
    for number in range(2):
        bench = SimulatedBench(describe(), ports=ports)  # type: ignore[arg-type] # one of the two
        modem = Modem(bench)
        modem.make_ready()
        modem.make_registered()
        modem.make_off()
        path = tmp_path / f"{number}.jsonl"
        file = RecordingFile(path, bench.recording.head)
        file.add(bench.recording)
        file.close()
        bench.close()
        contents.append(path.read_bytes())

    assert contents[0] == contents[1]
    assert contents[0].count(b"\n") > 100
