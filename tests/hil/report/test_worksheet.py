"""The worksheet as people see it, and readings that cannot be."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.errors import BadFileError
from hil.report.worksheet import (
    CAUTIONS,
    readings_report,
    readings_text,
    worksheet_report,
    worksheet_text,
)
from simulator.board.worksheet import SOUND

Describe = Callable[..., Any]


def write(folder: Path, *rows: tuple[str, str, object]) -> Path:
    path = folder / "readings.toml"
    path.write_text(
        "".join(
            f'[[reading]]\nstep = "{step}"\nnet = "{net}"\nvolts = {volts}\n' for step, net, volts in rows
        )
    )
    return path


def test_the_worksheet_says_what_to_do_what_to_expect_and_what_else_means(describe: Describe) -> None:
    text = worksheet_text(worksheet_report(describe()))

    for caution in CAUTIONS:
        assert caution in text
    assert "step pin 16 high: drive pin 16 high, the module on" in text
    at = text.index("step pin 16 high")
    key = text.index("  KEY  ", at)
    assert text[key:].startswith("  KEY              expect less than 0.05 V")
    assert "1.8 V means: KEY_SOURCE is not fitted; KEY_STAGE is not fitted" in text[key : key + 400]
    assert "no reading tells these from a sound board:\n  KEY_STAGE has no base-emitter resistor" in text


def test_readings_are_explained_best_first_and_not_beyond_a_sound_board(
    describe: Describe, tmp_path: Path
) -> None:
    path = write(tmp_path, ("pin 16 high", "KEY", 1.79), ("pin 16 high", "KEY_STAGE_IN", 3.28))
    report = readings_report(describe(), path)
    names = [row["what"] for row in report["explanations"]]

    assert names[0] == "KEY_STAGE is not fitted"
    assert names[-1] == SOUND
    assert readings_text(report).splitlines()[2].endswith("KEY_STAGE is not fitted")


@pytest.mark.parametrize(
    ("row", "key", "found", "allowed"),
    [
        (("pin 99 high", "KEY", 1.0), "reading.0.step", "'pin 99 high'", "nothing driven, pin 16 high"),
        (("pin 16 high", "RAIL", 1.0), "reading.0.net", "'RAIL'", "KEY_HEADER, KEY_STAGE_IN, KEY"),
        (("pin 16 high", "KEY", 17.9), "reading.0.volts", "17.9", "-1 to 6 V"),
        (("pin 16 high", "KEY", -3.0), "reading.0.volts", "-3", "-1 to 6 V"),
        (("pin 16 high", "KEY", "nan"), "reading.0.volts", "nan", "finite"),
        (("pin 16 high", "KEY", '"1 V"'), "reading.0.volts", "'1 V'", "number"),
    ],
)
def test_readings_that_cannot_be_are_refused_with_the_place(  # noqa: PLR0917 # parameters of pytest
    describe: Describe, tmp_path: Path, row: tuple[str, str, object], key: str, found: str, allowed: str
) -> None:
    with pytest.raises(BadFileError) as caught:
        readings_report(describe(), write(tmp_path, row))

    message = str(caught.value)
    assert f"{key}: found {found}; allowed:" in message
    assert allowed in message


def test_a_file_without_readings_is_refused(describe: Describe, tmp_path: Path) -> None:
    path = tmp_path / "empty.toml"
    path.write_text("reading = []\n")

    with pytest.raises(BadFileError):
        readings_report(describe(), path)
