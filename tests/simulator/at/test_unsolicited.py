"""Lines that the module says by itself: spaced, held back, or between the pieces of a reply."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Converse = Callable[..., Any]

LINE = b"\r\n+X: 1\r\n"
REPLY = b"\r\nTL4-1.4.2\r\n\r\nOK\r\n"


def talkative(converse: Converse, **at: object) -> Any:  # noqa: ANN401 # a conversation
    client = converse(module={"unit": {"at": at}})
    client.later(2)  # the line of the boot and the first replies are over
    return client


def test_lines_of_a_burst_are_as_far_apart_as_the_profile_says(converse: Converse) -> None:
    client = talkative(converse, unsolicited_gap_s=0.5)
    for number in range(3):
        client.model.at.unsolicited(f"+X: {number}")

    assert client.heard() == ["+X: 0"]
    assert client.later(0.499) == []
    assert client.later(0.001) == ["+X: 1"]
    assert client.later(0.5) == ["+X: 2"]


def test_a_line_that_is_spaced_waits_for_a_command_that_came_between(converse: Converse) -> None:
    client = talkative(converse, unsolicited_gap_s=0.5)
    client.model.at.unsolicited("+X: 0")
    client.model.at.unsolicited("+X: 1")
    client.later(0.4)
    client("AT+CFUN=4")

    assert client.later(60) == ["OK", "+X: 1"]


def test_lines_that_are_too_many_are_lost_and_the_recording_says_so(converse: Converse) -> None:
    client = talkative(converse, unsolicited_gap_s=1.0)
    for number in range(1100):
        client.model.at.unsolicited(f"+X: {number}")
    events = client.model.recorder.take()
    lost = [event for event in events if event.lane == "port/at" and event.what == "lost" and event.t_ns > 0]

    assert len(lost) == 99
    assert len(client.later(2000)) == 1001


@pytest.mark.parametrize("place", range(1, len(REPLY) + 1))
def test_a_line_gets_between_any_two_bytes_where_nothing_holds_it_back(
    converse: Converse, place: int
) -> None:
    client = talkative(converse, hold_unsolicited=False, reply_piece=1, piece_gap_s=0.01)
    client.port.receive(b"AT+CGMR\r")
    client.model.timeline.run_until(client.model.timeline.now_ns + 10_000_000 * place - 5_000_000)
    client.model.at.unsolicited("+X: 1")
    client.model.timeline.run_until(client.model.timeline.now_ns + 1_000_000_000)

    assert client.heard_bytes() == REPLY[:place] + LINE + REPLY[place:]


def test_a_line_waits_for_the_last_piece_where_it_is_held_back(converse: Converse) -> None:
    client = talkative(converse, reply_piece=3, piece_gap_s=0.01)
    client.port.receive(b"AT+CGMR\rAT\r")
    client.model.at.unsolicited("+X: 1")
    client.model.timeline.run_until(client.model.timeline.now_ns + 1_000_000_000)

    assert client.heard_bytes() == REPLY + LINE + b"\r\nOK\r\n"


def test_pieces_take_their_time(converse: Converse) -> None:
    client = talkative(converse, reply_piece=4, piece_gap_s=0.1)
    client.port.receive(b"AT\r")
    heard = [client.heard_bytes()]
    client.model.timeline.run_until(client.model.timeline.now_ns + 99_000_000)
    heard.append(client.heard_bytes())
    client.model.timeline.run_until(client.model.timeline.now_ns + 2_000_000)
    heard.append(client.heard_bytes())

    assert heard == [b"\r\nOK", b"", b"\r\n"]


def test_under_q1_a_reply_in_pieces_is_nothing_and_the_next_line_is_heard(converse: Converse) -> None:
    client = talkative(converse, reply_piece=1)

    client("ATQ1")
    client.later(1)

    assert client("AT") + client.later(1) == []
    client.port.receive(b"ATQ0\r")
    client.model.timeline.run_until(client.model.timeline.now_ns + 1_000_000_000)
    assert client.heard() == ["OK"]


def test_a_line_that_q1_hides_is_no_traffic_on_its_port(converse: Converse) -> None:
    client = talkative(converse)
    client("ATQ1")
    client.model.recorder.take()
    client.model.at.unsolicited("+X: 1")

    assert [event for event in client.model.recorder.take() if event.lane == "port/at"] == []


def test_a_line_that_a_command_itself_causes_comes_after_its_result(converse: Converse) -> None:
    client = converse()
    client('AT+CREG=1;+CPIN="1234"')
    client.later(60)
    client.port.receive(b"ATE1\r")
    client.later(0.01)
    client.model.module.radio.request(1)
    client.port.receive(b"AT+CFUN=4\r")
    client.model.timeline.run_until(client.model.timeline.now_ns + 60_000_000_000)

    assert client.heard_bytes() == b"AT+CFUN=4\r\r\nOK\r\n\r\n+CREG: 0\r\n"
