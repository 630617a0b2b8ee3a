"""Commands that a character ends early (ITU-T V.250 5.6.1)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

Converse = Callable[..., Any]

SLOW = {
    "forms": ["action", "set"],
    "parameters": [{"name": "fun", "high": 4}],
    "effect": "radio",
    "delay_s": 5.0,
    "abortable": True,
    "later": [{"after_s": 1.0, "line": "*SLOW: done"}],
}


@pytest.fixture
def client(converse: Converse) -> Any:  # noqa: ANN401 # a conversation
    """A module with a command `*SLOW` that takes five seconds and then turns the radios off."""
    found = converse(module={"unit": {"extensions": {"prefix": "*", "commands": {"SLOW": SLOW}}}})
    found("AT+CMEE=1")
    found.later(1)
    return found


def test_any_character_ends_it_and_nothing_is_done(client: Any) -> None:  # noqa: ANN401
    assert client("AT*SLOW=4") == []
    client.later(1)
    client.port.receive(b"x")

    assert client.later(0.01) == ["+CME ERROR: 52"]
    assert client.later(10) == []
    assert client("AT+CFUN?") == ["+CFUN: 1", "OK"]


@pytest.mark.parametrize(("after_s", "aborts"), [(0.0, False), (0.124, False), (0.125, True), (4.9, True)])
def test_what_comes_in_the_first_125_ms_is_ignored(client: Any, after_s: float, aborts: bool) -> None:  # noqa: ANN401
    client.port.receive(b"AT*SLOW=1\r")
    client.later(after_s)
    client.port.receive(b"\n")

    assert client.later(10) == (["+CME ERROR: 52"] if aborts else ["OK", "*SLOW: done"])


def test_a_line_feed_in_the_same_chunk_is_ignored(client: Any) -> None:  # noqa: ANN401
    client.port.receive(b"AT*SLOW=1\r\n")

    assert client.later(10) == ["OK", "*SLOW: done"]


def test_the_rest_of_the_line_is_not_done_and_what_follows_the_character_counts(client: Any) -> None:  # noqa: ANN401
    client.port.receive(b"AT+CSQ;*SLOW=1;+CGMM\r")
    first = client.later(1)
    client.port.receive(b"xAT+CGMR\r")

    assert first == ["+CSQ: 22,99"]
    assert client.later(0.01) == ["+CME ERROR: 52", "TL4-1.4.2", "OK"]


def test_a_command_that_is_not_abortable_goes_on(client: Any) -> None:  # noqa: ANN401
    client.port.receive(b"AT+CFUN=4\r")
    client.later(0.2)
    client.port.receive(b"x")

    assert client.later(60) == ["OK"]
