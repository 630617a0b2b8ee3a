"""Calls from other threads: made on the serving thread, results and errors handed back."""

from __future__ import annotations

import select
import threading

import pytest

from simulator.edges.calls import Calls, CallsClosedError


def test_a_call_is_made_by_whoever_processes_it_and_its_result_comes_back() -> None:
    calls, results = Calls(), list[object]()
    thread = threading.Thread(target=lambda: results.append(calls.run(threading.get_ident)))
    thread.start()
    select.select([calls.fileno()], [], [], 5)
    calls.process()
    thread.join(5)
    calls.close()

    assert results == [threading.get_ident()]


def test_an_error_comes_back_to_the_thread_that_asked() -> None:
    calls, errors = Calls(), list[str]()

    def ask() -> None:
        try:
            calls.run(lambda: int("x"))
        except ValueError as error:
            errors.append(str(error))

    thread = threading.Thread(target=ask)
    thread.start()
    select.select([calls.fileno()], [], [], 5)
    calls.process()
    thread.join(5)
    calls.close()

    assert errors == ["invalid literal for int() with base 10: 'x'"]


def test_calls_after_the_end_are_refused_and_closing_twice_is_harmless() -> None:
    calls = Calls()
    calls.close()
    calls.close()

    with pytest.raises(CallsClosedError):
        calls.run(lambda: None)
