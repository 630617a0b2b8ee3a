"""Benches based on others, boards reworked by hand: what cannot be is refused with its place."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.bench.files import load_bench
from hil.errors import BadFileError, MissingFileError

HEAD = '[bench]\nbased_on = "gauge-station"\nname = "mine"\nkind = "simulated"\n'

REFUSED = [
    ('[board.rework]\nremove = ["NOSUCH"]\n', "board.rework.remove: found 'NOSUCH'; allowed: KEY_SOURCE,"),
    (
        '[board.rework.parts.X]\nkind = "pull"\nnet = "KEY"\nto = "IO_1V8"\n',
        "board.rework.parts.X.ohm: found nothing; allowed: a value",
    ),
    (
        '[board.rework.parts.X]\nkind = "relay"\n',
        "board.rework.parts.X",
    ),
    (
        '[board.rework.parts.X]\nkind = "pull"\nnet = "KEY"\nto = "RADIO"\nohm = 10\n',
        "'RADIO' is no rail",
    ),
    (
        '[board.rework.parts.X]\nkind = "resistor"\nbetween = ["KEY", "NOWHERE"]\nohm = 10\n',
        "nothing else touches the net 'NOWHERE'",
    ),
    (
        '[board.rework.parts.X]\nkind = "capacitor"\nnet = "RAIL"\nfarad = 1e-3\nesr_ohm = 0\n',
        "a second capacitor on the module's supply",
    ),
    (
        (
            '[board.rework.parts.X]\nkind = "slide-switch"\n'
            'between = ["IO_1V8", "HOST_3V3"]\ndefault = "closed"\n'
        ),
        "two sources on one net; allowed: one source for each net",
    ),
    (
        '[board.jumpers]\nKEY_SOURCE = "middle"\n',
        "KEY_SOURCE: found 'middle'; allowed: header, rail",
    ),
    ('[board.rework.module]\nPOWER = "KEY"\n', "board.rework.module.POWER"),
]


@pytest.mark.parametrize(("tables", "message"), REFUSED)
def test_a_rework_that_cannot_be_is_refused_with_its_place(tmp_path: Path, tables: str, message: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + tables)

    with pytest.raises(BadFileError) as caught:
        load_bench(path)

    assert message in str(caught.value)
    assert "\n" not in str(caught.value)


def test_a_variant_says_only_what_differs(tmp_path: Path, describe: Callable[..., Any]) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD + "[supply]\nvolts = 4.2\n")
    mine, base = load_bench(path), describe()

    assert mine.file.bench.name == "mine"
    assert (mine.settings.supply.volts, base.settings.supply.volts) == (4.2, 5.0)
    assert mine.settings.wiring == base.settings.wiring


def test_a_variant_may_be_based_on_a_file_with_files_of_its_own_beside_it(tmp_path: Path) -> None:
    folder = tmp_path / "station"
    folder.mkdir()
    import simulator

    shipped = Path(simulator.__file__).parent / "wirings" / "weir-carrier.toml"
    (folder / "carrier.toml").write_text(shipped.read_text())
    (folder / "base.toml").write_text(HEAD + '[board]\nwiring = "carrier.toml"\n')
    path = tmp_path / "variant.toml"
    path.write_text('[bench]\nbased_on = "station/base.toml"\nname = "variant"\nkind = "simulated"\n')

    assert load_bench(path).settings.wiring.name == "weir-carrier"


def test_benches_that_are_based_on_each_other_are_refused(tmp_path: Path) -> None:
    for name, base in (("one", "other"), ("other", "one")):
        text = f'[bench]\nbased_on = "{base}.toml"\nname = "{name}"\nkind = "simulated"\n'
        (tmp_path / f"{name}.toml").write_text(text)

    with pytest.raises(BadFileError, match=r"based_on: found 'one\.toml', which is based on this file"):
        load_bench(tmp_path / "one.toml")


@pytest.mark.parametrize(("base", "error"), [("nosuch", BadFileError), ("nosuch.toml", MissingFileError)])
def test_a_base_that_is_not_there_is_told(tmp_path: Path, base: str, error: type[Exception]) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(HEAD.replace("gauge-station", base))

    with pytest.raises(error, match="nosuch"):
        load_bench(path)
