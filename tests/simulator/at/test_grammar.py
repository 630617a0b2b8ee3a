"""Line bodies taken apart (ITU-T V.250 5.3 and 5.4)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.at.grammar import Bare, Command, Dialect, Form, Quoted, SyntaxFault, parse

FAULT = SyntaxFault()


def action(name: str, *values: str) -> Command:
    return Command(name, Form.ACTION, tuple(map(Bare, values)))


@pytest.mark.parametrize(
    ("body", "commands"),
    [
        ("", ()),
        ("   ", ()),
        ("E0", (action("E", "0"),)),
        ("E", (action("E"),)),
        ("e0v1", (action("E", "0"), action("V", "1"))),
        ("&F", (action("&F"),)),
        ("&F0E1", (action("&F", "0"), action("E", "1"))),
        ("E 0 V 1", (action("E", "0"), action("V", "1"))),
        ("Q007", (action("Q", "007"),)),
        ("S3?", (Command("S", Form.READ, (Bare("3"),)),)),
        ("S3=13E0", (Command("S", Form.SET, (Bare("3"), Bare("13"))), action("E", "0"))),
        ("S3=", (Command("S", Form.SET, (Bare("3"), None)),)),
        ("S3", (FAULT,)),
        ("E0S3", (action("E", "0"), FAULT)),
        ("+CSQ", (action("+CSQ"),)),
        ("+csq", (action("+CSQ"),)),
        ("+CFUN?", (Command("+CFUN", Form.READ),)),
        ("+CFUN=?", (Command("+CFUN", Form.TEST),)),
        ("+CFUN=1,0", (Command("+CFUN", Form.SET, (Bare("1"), Bare("0"))),)),
        ("+CFUN=,1", (Command("+CFUN", Form.SET, (None, Bare("1"))),)),
        ("+CFUN=", (Command("+CFUN", Form.SET, (None,)),)),
        ("+CFUN = 1 , 0", (Command("+CFUN", Form.SET, (Bare("1"), Bare("0"))),)),
        ("+C FUN ? ; + CSQ", (Command("+CFUN", Form.READ), action("+CSQ"))),
        (" E 0 S 3 ? ", (action("E", "0"), Command("S", Form.READ, (Bare("3"),)))),
        ('+X = "a b" , 1 ;E1', (Command("+X", Form.SET, (Quoted("a b"), Bare("1"))), action("E", "1"))),
        # A space within a number spoils it (5.4.1: ignored except within constants).
        ("E0 1", (action("E", "0"), FAULT)),
        ("S3=1 3", (Command("S", Form.SET, (Bare("3"), Bare("1"))), FAULT)),
        ("+CFUN=1 0", (Command("+CFUN", Form.SET, (Bare("1 0"),)),)),
        ("+CSQ;+CREG?", (action("+CSQ"), Command("+CREG", Form.READ))),
        ("+CSQ;", (action("+CSQ"),)),
        ("E0+CSQ", (action("E", "0"), action("+CSQ"))),
        ("+CSQ;E0", (action("+CSQ"), action("E", "0"))),
        ('+CPIN="1234"', (Command("+CPIN", Form.SET, (Quoted("1234"),)),)),
        ('+X="a;b,c"', (Command("+X", Form.SET, (Quoted("a;b,c"),)),)),
        ('+X="\\22\\5C"', (Command("+X", Form.SET, (Quoted('"\\'),)),)),
        ('+X=""', (Command("+X", Form.SET, (Quoted(""),)),)),
        ('+X="a b"', (Command("+X", Form.SET, (Quoted("a b"),)),)),
        ('+X="half', (FAULT,)),
        ('+X="a"b', (FAULT,)),
        ("+", (FAULT,)),
        ("+1", (FAULT,)),
        ("+CSQ(1)", (FAULT,)),
        ("+CFUN?1", (FAULT,)),
        ("E0?", (FAULT,)),
        ("V1E=?", (action("V", "1"), FAULT)),
        ("E0;V1", (action("E", "0"), FAULT)),
        ("#X", (FAULT,)),
    ],
)
def test_bodies_are_taken_apart(body: str, commands: tuple[Command | SyntaxFault, ...]) -> None:
    assert parse(body) == commands


def test_a_maker_s_prefix_begins_a_name_only_where_the_profile_has_it() -> None:
    assert parse("*STOP;+CSQ", Dialect("+*")) == (action("*STOP"), action("+CSQ"))
    assert parse("*STOP", Dialect("+$")) == (FAULT,)


def test_a_name_has_sixteen_characters_at_the_most() -> None:
    assert parse("+" + "A" * 16) == (action("+" + "A" * 16),)
    assert parse("+" + "A" * 17) == (FAULT,)


@given(st.text(st.characters(min_codepoint=32, max_codepoint=126), max_size=80))
def test_whatever_stands_in_a_line_is_commands_and_at_most_one_fault_at_its_end(body: str) -> None:
    commands = parse(body, Dialect("+*"))

    assert FAULT not in commands[:-1]
