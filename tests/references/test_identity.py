"""Equipment and card numbers, checked by python-stdnum (PyPI), which is not ours."""

from __future__ import annotations

import tomllib
from pathlib import Path

import pytest
from stdnum import imei, luhn

import simulator
from simulator.card.settings import CardSettings

PROFILES = sorted((Path(simulator.__file__).parent / "profiles").glob("*.toml"))


def test_the_checker_knows_the_worked_example() -> None:
    # 3GPP TS 23.003 annex B's rule on a well-known example: check digit 8.
    assert imei.is_valid("490154203237518")
    assert not imei.is_valid("490154203237519")


@pytest.mark.parametrize("path", PROFILES, ids=lambda path: path.stem)
def test_shipped_equipment_numbers_have_a_right_check_digit(path: Path) -> None:
    number = tomllib.loads(path.read_text())["identity"]["imei"]

    assert imei.validate(number) == number
    assert imei.imei_type(number) == "IMEI"


def test_the_default_card_number_has_a_right_check_digit_and_no_real_issuer() -> None:
    # ITU-T E.118: 89, then the country code; 999 is not assigned.
    number = CardSettings().iccid

    assert luhn.is_valid(number)
    assert number.startswith("89999")
