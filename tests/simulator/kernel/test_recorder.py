"""Recording: stamps, key order, bytes without loss."""

from __future__ import annotations

import json

from simulator.kernel.recorder import Recorder, encode
from simulator.kernel.timeline import Timeline


def test_an_event_is_one_json_line_with_keys_in_the_order_of_the_schema() -> None:
    timeline = Timeline()
    recorder = Recorder(timeline)
    timeline.run_until(7)

    recorder.record("header/16", "level", value=1, by="suite")

    assert [encode(event) for event in recorder.take()] == [
        '{"t_ns": 7, "lane": "header/16", "what": "level", "value": 1, "by": "suite"}'
    ]


def test_every_byte_survives_the_text() -> None:
    recorder = Recorder(Timeline())
    every_byte = bytes(range(256))

    recorder.record_bytes("port/at", "to_module", every_byte)
    [line] = map(encode, recorder.take())

    assert json.loads(line)["text"].encode("latin-1") == every_byte
    assert line.isascii()


def test_taking_leaves_nothing_behind() -> None:
    recorder = Recorder(Timeline())
    recorder.record("a", "b")

    assert len(recorder.take()) == 1
    assert recorder.take() == []
