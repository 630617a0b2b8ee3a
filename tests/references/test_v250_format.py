"""Formats and numbers of ITU-T V.250 (07/2003), beside what the model sends.

Source of every value here: ITU-T V.250 (07/2003), tables 1 and 3, clauses 5.7.1, 5.7.2, 6.2.1 to 6.3.12.
"""

from __future__ import annotations

import pytest

from simulator.at import result
from simulator.at.result import Result
from simulator.at.session import REGISTERS, Session
from simulator.module.profile import At

# Table 1: result codes; 5 does not exist there.
RESULT_CODES = {
    "OK": 0,
    "CONNECT": 1,
    "RING": 2,
    "NO CARRIER": 3,
    "ERROR": 4,
    "NO DIALTONE": 6,
    "BUSY": 7,
    "NO ANSWER": 8,
}

# Clauses 6.2.1 to 6.2.3 and 6.3.8 to 6.3.12: range, and the recommended default where there is one.
S_PARAMETERS = {
    0: (0, 255, 0),
    3: (0, 127, 13),
    4: (0, 127, 10),
    5: (0, 127, 8),
    6: (2, 10, 2),
    7: (1, 255, None),
    8: (0, 255, 2),
    10: (1, 254, None),
}


@pytest.fixture
def session() -> Session:
    """Defaults: V1, Q0."""
    return Session(At())


def test_table_1_is_complete_and_numbered_as_printed() -> None:
    assert {code.words: code.value for code in Result} == RESULT_CODES


@pytest.mark.parametrize(
    ("verbose", "code", "data"),
    # Table 3: V0 <numeric><S3>; V1 <S3><S4><verbose><S3><S4>.
    [
        (True, Result.OK, "0D 0A 4F 4B 0D 0A"),
        (True, Result.ERROR, "0D 0A 45 52 52 4F 52 0D 0A"),
        (False, Result.OK, "30 0D"),
        (False, Result.ERROR, "34 0D"),
    ],
)
def test_result_codes_have_the_bytes_of_table_3(
    session: Session, verbose: bool, code: Result, data: str
) -> None:
    session.verbose = verbose

    assert result.result(session, code) == bytes.fromhex(data)


@pytest.mark.parametrize(
    ("verbose", "data"),
    # Table 3: V0 <text><S3><S4>; V1 <S3><S4><text><S3><S4>; the example text is that of S3? (5.3.2).
    [(True, "0D 0A 30 31 33 0D 0A"), (False, "30 31 33 0D 0A")],
)
def test_information_text_has_the_bytes_of_table_3(session: Session, verbose: bool, data: str) -> None:
    session.verbose = verbose

    assert result.information(session, ["013"]) == bytes.fromhex(data)


def test_q1_suppresses_results_but_not_information(session: Session) -> None:
    # 6.2.5
    session.quiet = True

    assert result.result(session, Result.OK) == b""
    assert result.extended_result(session, "+CREG: 1") == b""
    assert result.information(session, ["013"]) == b"\r\n013\r\n"


def test_s3_and_s4_take_part_in_every_format(session: Session) -> None:
    # 5.7.1, 6.2.1, 6.2.2
    session.set_register(3, 33)
    session.set_register(4, 45)

    assert result.result(session, Result.OK) == b"!-OK!-"
    session.verbose = False
    assert result.result(session, Result.OK) == b"0!"
    assert result.information(session, ["x"]) == b"x!-"


def test_extended_results_are_words_under_v0_too(session: Session) -> None:
    # 5.4.4: extended result codes are always alphabetic; header and trailer follow V.
    session.verbose = False

    assert result.extended_result(session, "+CREG: 1") == b"+CREG: 1\r"


def test_s_parameters_have_their_ranges_and_defaults() -> None:
    assert set(REGISTERS) == set(S_PARAMETERS)
    for number, (low, high, default) in S_PARAMETERS.items():
        assert REGISTERS[number][:2] == (low, high)
        if default is not None:
            assert REGISTERS[number][2] == default


def test_recommended_defaults_of_the_basic_settings(session: Session) -> None:
    # 6.2.4 E1, 6.2.5 Q0, 6.2.6 V1, 6.2.8 &C1.  X and &D have no recommended default in V.250.
    assert (session.echo, session.quiet, session.verbose, session.carrier_detect) == (True, False, True, 1)
