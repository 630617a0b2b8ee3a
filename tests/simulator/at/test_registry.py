"""Commands declared once: values read and refused, `=?` made from the declaration."""

from __future__ import annotations

import re

import pytest

from simulator.at.errors import CommandError
from simulator.at.grammar import Bare, Form, Quoted, Written
from simulator.at.registry import COMMANDS, Commands, Declared, Number, Text

N = Number(name="n", low=0, high=3, default=1)


def declared(*parameters: Number | Text, test: str | None = None) -> Declared:
    return Declared(
        name="+X",
        standard="test",
        clause="1",
        forms=frozenset({Form.SET}),
        parameters=parameters,
        handler=lambda _: None,
        summary="",
        test=test,
    )


@pytest.mark.parametrize(("written", "value"), [(Bare("0"), 0), (Bare("003"), 3), (None, 1)])
def test_numbers_are_read(written: Written, value: int) -> None:
    assert N.read(written) == value


@pytest.mark.parametrize(
    "written", [Bare("4"), Bare("-1"), Bare("x"), Quoted("1"), Bare("9" * 100), Bare("²")]
)
def test_what_is_no_number_in_range_is_refused(written: Written) -> None:
    with pytest.raises(CommandError):
        N.read(written)


def test_a_number_may_be_one_of_a_few() -> None:
    fun = Number(name="fun", high=4, allowed=(0, 1, 4))

    assert fun.read(Bare("4")) == 4
    with pytest.raises(CommandError):
        fun.read(Bare("2"))
    with pytest.raises(CommandError):
        fun.read(None)


def test_texts_need_their_quotes_unless_declared_bare() -> None:
    assert Text(name="t", longest=4).read(Quoted("1234")) == "1234"
    assert Text(name="t", longest=4, bare=True).read(Bare("1234")) == "1234"
    for refused in (Bare("1234"), Quoted("12345"), None):
        with pytest.raises(CommandError):
            Text(name="t", longest=4).read(refused)


def test_more_values_than_declared_are_refused() -> None:
    with pytest.raises(CommandError):
        declared(N).read_values((Bare("1"), Bare("1")))


@pytest.mark.parametrize(
    ("parameters", "text"),
    # V.250 5.4.4: ranges in parentheses, compound values apart by commas.
    [
        ((N,), "(0-3)"),
        ((Number(name="a", high=4, allowed=(0, 1, 4)), Number(name="b", high=1)), "(0,1,4),(0-1)"),
        ((Number(name="a", high=0),), "(0)"),
        ((Text(name="t", longest=3),), ""),
        ((), ""),
    ],
)
def test_the_answer_to_a_test_is_made_from_the_ranges(
    parameters: tuple[Number | Text, ...], text: str
) -> None:
    assert declared(*parameters).test_text == text


def test_a_name_is_registered_once() -> None:
    commands = Commands()
    commands.add(declared())

    with pytest.raises(ValueError, match="registered twice"):
        commands.add(declared())


def test_every_command_names_its_standard_clause_and_purpose() -> None:
    assert len(COMMANDS) >= 25
    for command in COMMANDS:
        assert command.standard in ("ITU-T V.250", "3GPP TS 27.005", "3GPP TS 27.007")
        assert re.fullmatch(r"[0-9A-E][0-9.]*", command.clause)
        assert command.summary.endswith(".") or command.summary.endswith('"')
        assert command.forms
