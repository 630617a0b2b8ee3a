"""A hardware bench whose every driver is another package's, with a simulated bench at real pace behind."""

from __future__ import annotations

import importlib
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest
import tomli_w

from hil.bench.drivers.table import driver_class
from hil.bench.files import BenchDescription, load_bench
from hil.bench.hardware.bench import HardwareBench
from hil.bench.hardware.station import Station

TOP = Path(__file__).parents[4]
PACKAGE = Path(__file__).parent / "package"

TABLES: dict[str, Any] = {
    "drivers": {
        "lines": {"16": {"driver": "ashbeck", "pin": "16"}, "18": {"driver": "ashbeck", "pin": "18"}},
        "ports": {
            "at": {"driver": "ashbeck", "role": "at"},
            "uart": {"driver": "ashbeck", "role": "uart", "adaptor": True},
        },
        "supply": {"driver": "ashbeck"},
        "meter": {"driver": "ashbeck"},
    },
    "meter": {"bandwidth_hz": 100.0, "every_s": 0.02},
    "transmit": {"antenna": "load"},
    "limits": {"numbers": ["+447700900123"], "max_volts": 5.5, "max_amps": 2.0},
    "end": {"supply": "off"},
}


def tenth(value: Any) -> Any:  # noqa: ANN401 # a number or a spread
    """A delay ten times as short."""
    return {key: one / 10 for key, one in value.items()} if isinstance(value, dict) else value / 10


def fast_profile(folder: Path) -> Path:
    """A module that boots ten times as fast, so that real pace is bearable."""
    profile = tomllib.loads((TOP / "simulator/profiles/tarn-l4.toml").read_text(encoding="utf-8"))
    profile["delays"] = {key: tenth(value) for key, value in profile["delays"].items()}
    for key in ("tied_restart_s", "dead_in_boot_s", "dead_after_off_s"):
        profile["key"][key] /= 10
    path = folder / "fast.toml"
    path.write_text(tomli_w.dumps(profile))
    return path


class Files:
    """The bench files: one for hardware, one for the simulated bench behind its drivers."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        fast_profile(folder)
        model = {
            "bench": {"based_on": "gauge-station", "name": "behind", "kind": "simulated"},
            "module": {"profile": "fast.toml"},
            "card": {"pin": "1234"},
            "start": {"module": "ready"},
        }
        self.model = folder / "behind.toml"
        self.model.write_text(tomli_w.dumps(model))
        self.hardware = folder / "lab.toml"
        self.write({})

    def write(self, changes: dict[str, Any], *, without: tuple[str, ...] = ()) -> Path:
        """The hardware bench's file, with tables changed and drivers left out."""
        drivers = {key: value for key, value in TABLES["drivers"].items() if key not in without}
        tables = {key: value for key, value in TABLES.items() if key not in without}
        found = {
            "bench": {"based_on": "gauge-station", "name": "lab-1", "kind": "hardware"},
            "module": {"profile": "fast.toml"},
            "card": {"pin": "1234"},
            **tables,
            "drivers": drivers,
            **changes,
        }
        self.hardware.write_text(tomli_w.dumps(found))
        return self.hardware


@pytest.fixture
def drivers(monkeypatch: pytest.MonkeyPatch) -> Iterator[ModuleType]:
    """The other package, installed for this test."""
    monkeypatch.syspath_prepend(str(PACKAGE))
    importlib.invalidate_caches()
    driver_class.cache_clear()
    found = importlib.import_module("ashbeck_drivers")
    yield found
    found.end()
    driver_class.cache_clear()


@pytest.fixture
def files(tmp_path: Path, drivers: ModuleType, monkeypatch: pytest.MonkeyPatch) -> Files:
    """Files in a folder of their own; the module behind the drivers is ready."""
    del drivers
    found = Files(tmp_path)
    monkeypatch.setenv("ASHBECK_BENCH", str(found.model))
    monkeypatch.setenv("WAKEBENCH_STATE", str(tmp_path / "state"))
    return found


Open = Callable[..., HardwareBench]


@pytest.fixture
def describe_hardware(files: Files) -> Callable[..., BenchDescription]:
    """Read the hardware bench's file, with changes."""
    return lambda changes=None, **options: load_bench(files.write(changes or {}, **options))


@pytest.fixture
def open_bench(describe_hardware: Callable[..., BenchDescription], drivers: ModuleType) -> Iterator[Open]:
    """Open the hardware bench, with changes to its file."""
    opened: list[tuple[Station, HardwareBench]] = []

    def open_bench(changes: dict[str, Any] | None = None, **options: Any) -> HardwareBench:  # noqa: ANN401 # of Files.write
        station = Station(describe_hardware(changes, **options))
        opened.append((station, HardwareBench(station)))
        return opened[-1][1]

    yield open_bench
    drivers.broken.clear()
    for station, bench in opened:
        bench.close()
        station.close()
