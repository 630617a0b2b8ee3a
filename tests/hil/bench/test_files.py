"""Bad files of every kind: one line with file, key, what was found, what is allowed."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hil.bench.files import load_bench
from hil.bench.shipped import find_bench, shipped
from hil.errors import BadFileError, MissingFileError, UnknownNameError, UsageError

TOP = Path(__file__).parents[3]
STATION = (TOP / "suites/benches/gauge-station.toml").read_text()
TARN = shipped("profiles")["tarn-l4"].read_text()
WEIR = shipped("wirings")["weir-carrier"].read_text()


def one_line(error: UsageError) -> str:
    text = str(error)
    assert "\n" not in text
    return text


BAD_BENCHES = [
    ("[bench]", "[bank]", "bank", "a key that is not known", "bench, board, card"),
    (
        "[network]",
        '[[schedule]]\nat_s = 5.0\npart = "network"\nset = { rsrp = -90.0 }\n\n[network]',
        "schedule.0.rsrp",
        "a key that is not known",
        "",
    ),
    (
        "[network]",
        '[[schedule]]\nat_s = 5.0\npart = "network"\nset = { cell = "north" }\n\n[network]',
        "schedule.0.set.cell",
        "'north'",
        "first",
    ),
    ("[network]", '[network]\nregisters = "circuit"', "network", "registers", "LTE has packet service only"),
    ('kind = "simulated"', 'kind = "real"', "bench.kind", "'real'", "'simulated' or 'hardware'"),
    ('kind = "simulated"', "", "bench.kind", "nothing", "the key is needed"),
    ("seed = 1", 'seed = "one"', "bench.seed", "'one'", "integer"),
    ("seed = 1", "seed = -1", "bench.seed", "-1", "greater than or equal to 0"),
    ("seed = 1", "sed = 1", "bench.sed", "a key that is not known", "kind, name, seed, start_time"),
    (
        'start_time = "2026-01-15T06:00:00Z"',
        'start_time = "noon"',
        "bench.start_time",
        "'noon'",
        "an instant",
    ),
    ('profile = "tarn-l4"', 'profile = "tarn-l5"', "module.profile", "'tarn-l5'", "fell-m2, tarn-l4"),
    ('wiring = "weir-carrier"', 'wiring = "wire"', "board.wiring", "'wire'", "beck-carrier, weir-carrier"),
    ('KEY_SOURCE = "header"', 'KEY_SOURCE = "left"', "board.jumpers.KEY_SOURCE", "'left'", "header, rail"),
    (
        'KEY_SOURCE = "header"',
        'KEY = "header"',
        "board.jumpers.KEY",
        "no such part",
        "KEY_SOURCE, UART_TX, UART_RX",
    ),
    ('UART_TX = "closed"', 'UART_TX = "shut"', "board.switches.UART_TX", "'shut'", "closed, open"),
    ('"16" = { offset = 84', '"16" = { offset = 840', "host", "a table", "not below gpio_lines = 128"),
    ('"16" = { offset', '"17" = { offset', "host.lines.17", "header pin 17", "pins 1, 3, 16, 18, 23, 25"),
    (
        'boot = "float" }\n"18"',
        'boot = "drift" }\n"18"',
        "host.lines.16.boot",
        "'drift'",
        "'float', 'up', 'down'",
    ),
    ('at = "ttyUSB3"', 'at = "COM3"', "host.usb_ports.at", "'COM3'", "match pattern"),
    (', at = "ttyUSB3"', "", "host.usb_ports", "nmea, data, diag", "exactly the ports of tarn-l4"),
    ('at = "ttyUSB3"', 'at = "ttyUSB0"', "host.usb_ports", "at = ttyUSB0", "numbers that rise"),
    ("volts = 5.0", 'volts = "5 V"', "supply.volts", "'5 V'", "number"),
    ("volts = 5.0", "volts = 500", "supply.volts", "500", "less than or equal to 60"),
    (
        "volts = 5.0",
        "millivolts = 5000",
        "supply.millivolts",
        "a key that is not known",
        "limit_a, resistance_ohm",
    ),
    ("volts = 5.0", "volts = nan", "supply.volts", "nan", "less than or equal to 60"),
    ('imsi = "001010123456789"', 'imsi = "x"', "card.imsi", "'x'", "match pattern"),
    ('default = "1234"', 'default = "12"', "card.pin", "'12'", "match pattern"),
    ("rsrp_dbm = -95", "rsrp_dbm = 95", "network.rsrp_dbm", "95", "less than or equal to -40"),
    ('module = "off"', 'module = "asleep"', "start.module", "'asleep'", "'off', 'booting', 'ready'"),
    ('["+447700900123"]', '["112"]', "limits.numbers.0", "'112'", "match pattern"),
    (
        "[network]",
        "[service_centre]\nlost = 2.0\n[network]",
        "service_centre.lost",
        "2.0",
        "less than or equal to 1",
    ),
    (
        "[network]",
        '[service_centre]\norder = "x"\n[network]',
        "service_centre.order",
        "'x'",
        "'first', 'last' or 'any'",
    ),
    ('number = "', 'messages = 256\nnumber = "', "card.messages", "256", "less than or equal to 255"),
    ("[start]", "[start", "", "no TOML", "TOML 1.0"),
]


@pytest.mark.parametrize(("before", "after", "key", "found", "allowed"), BAD_BENCHES)
def test_a_bad_bench_file_is_refused_in_one_line(
    *, tmp_path: Path, before: str, after: str, key: str, found: str, allowed: str
) -> None:
    assert before in STATION
    path = tmp_path / "bench.toml"
    path.write_text(STATION.replace(before, after, 1))

    with pytest.raises(BadFileError) as caught:
        load_bench(path)
    text = one_line(caught.value)
    assert text.startswith(str(path))
    assert caught.value.key == key
    assert found in caught.value.found
    assert allowed in caught.value.allowed


BAD_PROFILES = [
    ("min = 0.52", "min = 0.66", "key.start_s", "need min <= typ <= max"),
    ("unit_sd = 0.02", "unit_sd = -1", "key.start_s.unit_sd", "greater than or equal to 0"),
    ('start_acts = "held"', 'start_acts = "later"', "key.start_acts", "'held' or 'release'"),
    (
        "start_longest_s = 3.5",
        "start_longest_ms = 3500",
        "key.start_longest_ms",
        "start_acts, start_longest_s",
    ),
    ('"diag", "at"]', '"diag", "nmea"]', "usb", "each role at most once"),
    ("lockout_v = 3.1", "lockout_v = 3.6", "supply", "need lockout_v < warning_v"),
    ('active = "low"', 'active = "lo"', "pins.power_key.active", "'high' or 'low'"),
    ('imei = "001000000000017"', 'imei = "17"', "identity.imei", "match pattern"),
    (
        "reset_s = { typ = 8.0, min = 7.6",
        "reset_s = { typ = 8.0, min = 0.6",
        "key",
        "above every start and stop",
    ),
    ('reply = "{temperature_c}"', 'reply = "{heat}"', "extensions.commands.HEAT", "is not known"),
    ('effect = "stop"', 'effect = "burn"', "extensions.commands.STOP.effect", "'none', 'stop'"),
]


@pytest.mark.parametrize(("before", "after", "key", "allowed"), BAD_PROFILES)
def test_a_bad_profile_is_refused_in_one_line(
    tmp_path: Path, before: str, after: str, key: str, allowed: str
) -> None:
    assert before in TARN
    (tmp_path / "p.toml").write_text(TARN.replace(before, after, 1))
    path = tmp_path / "bench.toml"
    path.write_text(STATION.replace('"tarn-l4"', '"p.toml"'))

    with pytest.raises(BadFileError) as caught:
        load_bench(path)
    assert one_line(caught.value).startswith(str(tmp_path / "p.toml"))
    assert caught.value.key == key
    assert allowed in caught.value.allowed


BAD_WIRINGS = [
    ('kind = "npn-stage"', 'kind = "pnp-stage"', "parts.KEY_STAGE", "npn-stage"),
    ("base_ohm = 4700", "base_kohm = 4.7", "parts.KEY_STAGE.base_kohm", "base_emitter_ohm, base_ohm"),
    ("ohm = 47e3\n\n[parts.UART_TX]", "ohm = 0\n\n[parts.UART_TX]", "parts.RADIO_PULL.ohm", "greater than 0"),
    ('default = "header"', 'default = "middle"', "parts.KEY_SOURCE", "none of the positions"),
    ('POWER_KEY = "KEY"', 'POWER_BUTTON = "KEY"', "module.POWER_BUTTON", "POWER_KEY"),
    ('"16" = "KEY_HEADER"', '"16" = "AIR"', "", "no part and no rail touches the net 'AIR'"),
]


@pytest.mark.parametrize(("before", "after", "key", "allowed"), BAD_WIRINGS)
def test_a_bad_wiring_is_refused_in_one_line(
    tmp_path: Path, before: str, after: str, key: str, allowed: str
) -> None:
    assert before in WEIR
    (tmp_path / "w.toml").write_text(WEIR.replace(before, after, 1))
    path = tmp_path / "bench.toml"
    path.write_text(STATION.replace('"weir-carrier"', '"w.toml"'))

    with pytest.raises(BadFileError) as caught:
        load_bench(path)
    assert one_line(caught.value).startswith(str(tmp_path / "w.toml"))
    assert caught.value.key.startswith(key)
    assert allowed in caught.value.allowed


def test_missing_files_are_told(tmp_path: Path) -> None:
    with pytest.raises(MissingFileError, match="no such file; expected a bench file"):
        load_bench(tmp_path / "no.toml")
    path = tmp_path / "bench.toml"
    path.write_text(STATION.replace('"tarn-l4"', '"no.toml"'))
    with pytest.raises(MissingFileError, match=r"the file that module\.profile in .* names"):
        load_bench(path)


def test_bytes_that_are_no_text_are_told(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    path.write_bytes(b"\xff\xfe")

    with pytest.raises(BadFileError, match="not UTF-8"):
        load_bench(path)


def test_an_unknown_demo_bench_lists_the_known_ones() -> None:
    with pytest.raises(UnknownNameError, match="known: .*already-on, .*dead-module, .*gauge-station"):
        find_bench("gauge")


def test_the_pin_comes_from_the_environment_or_its_default(
    describe: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
) -> None:
    default = describe().settings.card.pin
    monkeypatch.setenv("CARD_PIN", "98765432")

    assert default == "1234"
    assert describe().settings.card.pin == "98765432"


@pytest.mark.parametrize("path", sorted((TOP / "suites/benches").rglob("*.toml")), ids=lambda path: path.stem)
def test_every_demo_bench_is_sound_and_bears_its_file_s_name(path: Path) -> None:
    assert load_bench(path).file.bench.name == path.stem
