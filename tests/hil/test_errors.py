"""Errors: whose fault each is, and one line that says what to do."""

from __future__ import annotations

import inspect

import pytest

from hil import errors
from hil.errors import (
    BadFileError,
    BenchError,
    BenchUnfitError,
    CommandFailedError,
    Inconclusive,
    MissingFileError,
    NoReplyError,
    ProductError,
    UnknownNameError,
    UsageError,
    WakebenchError,
)
from hil.exit_codes import ExitCode, of_error, worst

ROOTS = (UsageError, BenchError, ProductError, Inconclusive)


def test_every_leaf_has_one_root_and_resembles_a_built_in_or_is_an_outcome() -> None:
    leaves = [
        found
        for _, found in inspect.getmembers(errors, inspect.isclass)
        if issubclass(found, WakebenchError) and found not in (*ROOTS, WakebenchError)
    ]

    assert len(leaves) >= 10
    for leaf in leaves:
        assert sum(issubclass(leaf, root) for root in ROOTS) == 1, leaf
        assert leaf.__mro__[-2] is BaseException
        if not issubclass(leaf, Inconclusive):
            assert any(
                base.__module__ == "builtins" and base not in (Exception, BaseException, object)
                for base in leaf.__mro__
            ), leaf


@pytest.mark.parametrize(
    ("error", "text"),
    [
        (
            BadFileError(file="a.toml", key="bench.kind", found="'x'", allowed="'simulated' or 'hardware'"),
            "a.toml: bench.kind: found 'x'; allowed: 'simulated' or 'hardware'",
        ),
        (
            MissingFileError(path="a.toml", wanted="a bench file"),
            "a.toml: no such file; expected a bench file",
        ),
        (
            UnknownNameError(kind="suite", name="power_kee", known=["power_key", "radio_disable"]),
            "unknown suite 'power_kee' (did you mean 'power_key'?); known: power_key, radio_disable",
        ),
        (
            NoReplyError(sent=b"AT\r", waited_s=1, heard=b""),
            "no final answer to b'AT\\r' in 1.000 s, heard b'' (silence: check power and wiring first)",
        ),
        (
            NoReplyError(sent=b"AT\r", waited_s=1, heard=b"\r\nO"),
            "no final answer to b'AT\\r' in 1.000 s, heard b'\\r\\nO' (the answer was cut short)",
        ),
        (
            CommandFailedError(sent="AT+X", result="ERROR"),
            "'AT+X' was answered with 'ERROR' instead of 'OK'",
        ),
        (
            BenchUnfitError(
                part="sandbox", reason="there is no bwrap", cure="install the package bubblewrap"
            ),
            "the bench is not fit: sandbox: there is no bwrap; install the package bubblewrap",
        ),
    ],
)
def test_texts_say_what_was_expected_found_and_what_to_do(error: WakebenchError, text: str) -> None:
    assert str(error) == text


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (UsageError(), 2),
        (BenchError(), 3),
        (ProductError(), 1),
        (Inconclusive(), 4),
        (AssertionError(), 1),
        (RuntimeError(), 1),
    ],
)
def test_each_root_has_its_exit_code(error: Exception, code: int) -> None:
    assert of_error(error) == code


@pytest.mark.parametrize(
    ("codes", "code"),
    [([], 0), ([0, 0], 0), ([0, 4], 4), ([4, 1, 0], 1), ([1, 3, 4], 3), ([3, 2, 1], 2), ([1, 0], 1)],
)
def test_of_mixed_outcomes_the_gravest_wins(codes: list[int], code: int) -> None:
    assert worst(map(ExitCode, codes)) == code
