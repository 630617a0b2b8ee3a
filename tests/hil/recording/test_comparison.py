"""Where two recordings of one test differ: in text, in order, in time; and what makes no difference."""

from __future__ import annotations

from typing import Any

from hil.recording.comparison import differences
from hil.recording.query import Recording
from simulator.kernel.recorder import Event

SECOND = 1_000_000_000


def recording(*events: tuple[float, str, str, dict[str, Any]]) -> Recording:
    return Recording({}, [Event(round(at * SECOND), lane, what, more) for at, lane, what, more in events])


def sent(at: float, text: str) -> tuple[float, str, str, dict[str, Any]]:
    return at, "port/at", "to_module", {"text": text}


def heard(at: float, text: str) -> tuple[float, str, str, dict[str, Any]]:
    return at, "port/at", "from_module", {"text": text}


def level(at: float, value: int, pin: str = "16") -> tuple[float, str, str, dict[str, Any]]:
    return at, f"header/{pin}", "level", {"value": value, "by": "suite"}


DIALOGUE = (level(0, 1), level(0.7, 0), sent(10, "AT\r"), heard(10, "\r\nOK\r\n"))


def told(ours: Recording, theirs: Recording) -> list[str]:
    return [str(difference) for difference in differences(ours, theirs)]


def test_equal_recordings_do_not_differ() -> None:
    assert told(recording(*DIALOGUE), recording(*DIALOGUE)) == []


def test_a_reply_in_pieces_is_the_same_reply() -> None:
    pieces = (*DIALOGUE[:3], heard(10.001, "\r\nO"), heard(10.002, "K\r"), heard(10.003, "\n"))

    assert told(recording(*DIALOGUE), recording(*pieces)) == []


def test_a_line_sent_in_pieces_is_the_same_line() -> None:
    whole = (sent(1, "AT+CMGS=17\r\n"), sent(2, "half a mess"), heard(3, "\r\n> "))
    pieces = [sent(1, "AT+CMGS=17\r"), sent(1, "\n"), *(sent(2, one) for one in "half a mess")]

    assert told(recording(*whole), recording(*pieces, heard(3, "\r\n> "))) == []


def test_how_the_bench_was_when_the_test_began_makes_no_difference() -> None:
    start: tuple[float, str, str, dict[str, Any]] = (0.0, "suite/test_x", "start", {})
    initial = (0.0, "header/16", "level", {"value": 0, "by": "host"})

    assert told(recording(initial, start, *DIALOGUE), recording(start, *DIALOGUE)) == []


def test_another_outcome_is_told_and_nothing_else() -> None:
    def ended(*events: tuple[float, str, str, dict[str, Any]], outcome: str) -> Recording:
        return recording(*events, (20, "suite/test_x", "end", {"outcome": outcome}))

    assert told(ended(*DIALOGUE, outcome="passed"), ended(outcome="skipped")) == [
        "suite/test_x: outcome: here passed at 20.000 s; there skipped at 20.000 s"
    ]


def test_how_often_a_question_was_asked_makes_no_difference() -> None:
    def asked(times: int) -> Recording:
        events = []
        for number in range(times):
            events += [sent(10 + number / 4, "AT+CREG?\r"), heard(10 + number / 4, "+CREG: 0,2\r\n")]
        return recording(*events, sent(20, "AT+CREG?\r"), heard(20, "+CREG: 0,1\r\n"))

    assert told(asked(3), asked(30)) == []


def test_what_only_one_kind_of_bench_records_makes_no_difference() -> None:
    model = (5.0, "module/power", "state", {"from": "off", "to": "booting"})
    other_pin = level(3, 1, pin="18")

    assert told(recording(model, other_pin, *DIALOGUE), recording(*DIALOGUE)) == []


def test_another_text_is_told_with_both_sides() -> None:
    other = (*DIALOGUE[:3], heard(10, "\r\nERROR\r\n"))

    assert told(recording(*DIALOGUE), recording(*other)) == [
        "port/at: text: here heard '\\r\\nOK\\r\\n' at 10.000 s; there heard '\\r\\nERROR\\r\\n' at 10.000 s"
    ]


def test_a_step_that_one_side_lacks_is_told() -> None:
    assert told(recording(*DIALOGUE), recording(*DIALOGUE[:3])) == [
        "port/at: text: here heard '\\r\\nOK\\r\\n' at 10.000 s; there nothing"
    ]


def test_another_order_is_told_once() -> None:
    other = (DIALOGUE[0], sent(0.5, "AT\r"), heard(0.5, "\r\nOK\r\n"), level(0.7, 0))
    found = differences(recording(*DIALOGUE), recording(*other))

    assert [(one.kind, one.lane, one.ours) for one in found if one.kind == "order"] == [
        ("order", "header/16", "level 0")
    ]


def test_a_distance_that_differs_by_more_than_a_share_is_told() -> None:
    later = (*DIALOGUE[:2], sent(11, "AT\r"), heard(11, "\r\nOK\r\n"))
    little_later = (*DIALOGUE[:2], sent(10.2, "AT\r"), heard(10.2, "\r\nOK\r\n"))
    found = differences(recording(*DIALOGUE), recording(*later))

    assert [(one.kind, one.lane, one.ours) for one in found] == [
        ("time", "port/at", "sent 'AT\\r' 9.300 s after level 0")
    ]
    assert told(recording(*DIALOGUE), recording(*little_later)) == []


def test_what_happens_at_one_instant_has_no_order() -> None:
    ours = recording(level(1, 1), level(1, 1, pin="18"))
    theirs = recording(level(1.001, 1, pin="18"), level(1.002, 1))

    assert told(ours, theirs) == []
