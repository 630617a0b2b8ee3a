"""Command lines found in any slicing (ITU-T V.250 5.2)."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.at.reader import CommandLine, Line, LineReader, LineTooLong, RepeatLine


def read(*chunks: bytes, limit: int = 1024, terminator: int = 13, editor: int = 8) -> list[Line]:
    reader = LineReader(limit=limit)
    reader.set_format(terminator=terminator, editor=editor)
    lines: list[Line] = []
    for chunk in chunks:
        position = 0
        while position < len(chunk):
            position, line = reader.take(chunk, position)
            if line is not None:
                lines.append(line)
    return lines


@pytest.mark.parametrize(
    ("data", "lines"),
    [
        (b"AT\r", [CommandLine("")]),
        (b"at+csq\r", [CommandLine("+csq")]),
        (b"aT\r", [CommandLine("")]),  # V.250 5.8.2 item 6: mixed case differs by implementation
        (b"ATE0\rATI\r", [CommandLine("E0"), CommandLine("I")]),
        (b"\r\n\r\nAT\r\n", [CommandLine("")]),
        (b"garbageAT\r", [CommandLine("")]),
        (b"AAT\r", [CommandLine("")]),
        (b"A/", [RepeatLine()]),
        (b"a/AT\r", [RepeatLine(), CommandLine("")]),
        (b"AT\x00I\x07\r", [CommandLine("I")]),  # control characters are ignored
        (b"ATX\x08I\r", [CommandLine("I")]),  # S5 deletes
        (b"AT\x08\x08\x08I\r", [CommandLine("I")]),  # but never the prefix
        (bytes(byte | 0x80 for byte in b"ATI\r"), [CommandLine("I")]),  # seven bits count
        (b"ATI", []),
        (b"A", []),
        (b"", []),
    ],
)
def test_lines_are_found(data: bytes, lines: list[Line]) -> None:
    assert read(data) == lines
    assert read(*(data[index : index + 1] for index in range(len(data)))) == lines


def test_what_follows_a_line_waits_for_its_end() -> None:
    assert read(b"ATI\rAT+C", b"SQ\r") == [CommandLine("I"), CommandLine("+CSQ")]


def test_a_line_at_the_limit_is_taken_and_one_past_it_is_too_long() -> None:
    assert read(b"AT" + b"1" * 40 + b"\r", limit=40) == [CommandLine("1" * 40)]
    assert read(b"AT" + b"1" * 41 + b"\r", limit=40) == [LineTooLong()]
    assert read(b"AT" + b"1" * 41 + b"\rAT\r", limit=40) == [LineTooLong(), CommandLine("")]


def test_terminator_and_editor_can_be_changed() -> None:
    assert read(b"ATI\r\x1d", terminator=0x1D) == [CommandLine("I")]
    assert read(b"ATXY#I\r", editor=ord("#")) == [CommandLine("XI")]


def test_the_terminator_is_compared_before_the_editor() -> None:
    # V.250 5.2.2: S3 first, then S5.
    assert read(b"ATI\x08", terminator=8, editor=8) == [CommandLine("I")]


@given(st.binary(max_size=40))
def test_taking_a_whole_line_at_once_agrees_with_taking_it_apart(data: bytes) -> None:
    whole = LineReader(limit=20).take_whole(b"AT" + data + b"\r")

    if whole is not None:
        assert read(b"AT" + data + b"\r", limit=20) == [whole]


def test_a_whole_line_is_not_taken_from_the_middle_of_another() -> None:
    reader = LineReader(limit=1024)
    reader.take(b"ATX", 0)

    assert reader.take_whole(b"ATI\r") is None


def test_a_megabyte_without_an_end_keeps_the_memory_small() -> None:
    reader = LineReader(limit=1024)
    reader.take(b"AT" + b"x" * 1_000_000, 0)

    assert len(reader._body) == 1024


@given(st.binary(max_size=300), st.lists(st.integers(1, 50), max_size=20))
def test_any_slicing_gives_the_same_lines(data: bytes, sizes: list[int]) -> None:
    chunks, position = [], 0
    for size in sizes:
        chunks.append(data[position : position + size])
        position += size
    chunks.append(data[position:])

    assert read(*chunks) == read(data)


@given(st.lists(st.sampled_from([b"A", b"T", b"a", b"/", b"\r", b"\x08", b"+", b"1", b" "]), max_size=60))
def test_any_slicing_of_what_looks_like_commands_gives_the_same_lines(pieces: list[bytes]) -> None:
    assert read(*pieces) == read(b"".join(pieces))
