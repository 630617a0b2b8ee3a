"""One user at a time, and a bench that is left as its file says, however a run ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from hil.bench.drivers.table import driver_class, known
from hil.bench.files import BenchDescription, load_bench
from hil.bench.hardware.bench import HardwareBench
from hil.bench.hardware.start import bring_to_start
from hil.bench.hardware.station import Station
from hil.bench.lock import BenchLock
from hil.errors import BenchUnfitError, GuardRefusedError, MissingDriverError, UnknownNameError
from hil.modem import Modem

from .conftest import TABLES, Files, Open

Describe = Callable[..., BenchDescription]

HOLD = """
import sys, time
from pathlib import Path
from hil.bench.lock import BenchLock
lock = BenchLock("lab-1", ["gpio:84"], folder=Path(sys.argv[1]))
print("held", flush=True)
time.sleep(60)
"""


def hold(folder: Path) -> subprocess.Popen[str]:
    """Another process that holds the bench."""
    folder.mkdir(exist_ok=True)
    found = subprocess.Popen([sys.executable, "-c", HOLD, str(folder)], stdout=subprocess.PIPE, text=True)
    assert found.stdout is not None
    assert found.stdout.readline() == "held\n"
    return found


# -- drivers of another package ----------------------------------------------------------------


def test_another_package_s_driver_is_found_by_its_entry_point(drivers: ModuleType) -> None:
    assert driver_class("lines", "ashbeck") is drivers.Line
    assert "ashbeck" in known("supply")


def test_an_unknown_name_lists_the_known_ones(drivers: ModuleType) -> None:
    del drivers

    with pytest.raises(UnknownNameError, match=r"driver for supply 'ashbek' \(did you mean 'ashbeck'\?\)"):
        driver_class("supply", "ashbek")


def test_a_driver_whose_library_is_missing_says_what_to_install(drivers: ModuleType) -> None:
    del drivers

    with pytest.raises(MissingDriverError, match=r"driver 'unfinished' needs ashbeck_drivers"):
        driver_class("supply", "unfinished")


# -- the lock ----------------------------------------------------------------------------------


def test_a_second_user_is_told_who_holds_the_bench_and_since_when(tmp_path: Path) -> None:
    holder = hold(tmp_path)
    try:
        with pytest.raises(BenchUnfitError) as caught:
            BenchLock("lab-1", [], folder=tmp_path)
    finally:
        holder.kill()
        holder.communicate()

    text = str(caught.value)
    assert f"pid {holder.pid}, since 20" in text
    assert "wait for it with --wait SECONDS" in text


def test_another_bench_that_claims_the_same_line_is_told_so(tmp_path: Path) -> None:
    holder = hold(tmp_path)
    try:
        with pytest.raises(BenchUnfitError, match=r"gpio:84: in use by .*pid"):
            BenchLock("lab-2", ["gpio:84", "gpio:85"], folder=tmp_path)
        BenchLock("lab-2", ["gpio:85"], folder=tmp_path).release()
    finally:
        holder.kill()
        holder.communicate()


def test_the_lock_of_one_that_crashed_is_free_at_once(tmp_path: Path) -> None:
    holder = hold(tmp_path)
    holder.send_signal(signal.SIGKILL)
    holder.communicate()
    left = list(tmp_path.glob("*.json"))
    BenchLock("lab-1", ["gpio:84"], folder=tmp_path).release()

    assert left  # who held it was still written there
    assert not list(tmp_path.glob("*.json"))


def test_whoever_waits_gets_the_bench_when_it_is_free(tmp_path: Path) -> None:
    holder = hold(tmp_path)
    os.kill(holder.pid, signal.SIGSTOP)
    began_s = time.monotonic()
    with pytest.raises(BenchUnfitError):
        BenchLock("lab-1", [], folder=tmp_path, wait_s=0.2)
    waited_s = time.monotonic() - began_s
    holder.kill()
    holder.communicate()
    BenchLock("lab-1", [], folder=tmp_path, wait_s=5).release()

    assert waited_s >= 0.2


def test_a_stale_holder_file_without_a_lock_does_not_matter(tmp_path: Path) -> None:
    (tmp_path / "bench_lab-1.json").write_text("{nonsense")

    BenchLock("lab-1", [], folder=tmp_path).release()


def test_two_stations_cannot_have_one_bench(describe_hardware: Describe) -> None:
    description = describe_hardware()
    station = Station(description)
    try:
        with pytest.raises(BenchUnfitError, match=f"bench lab-1: in use by .*pid {os.getpid()}"):
            Station(description)
    finally:
        station.close()
    Station(description).close()


def test_two_parts_of_one_file_cannot_have_one_line(describe_hardware: Describe) -> None:
    lines = {"16": {"driver": "ashbeck", "pin": "16"}, "18": {"driver": "ashbeck", "pin": "16"}}
    description = describe_hardware({"drivers": {**TABLES["drivers"], "lines": lines}})

    with pytest.raises(BenchUnfitError, match="header pin 18: ashbeck:16 is header pin 16's already"):
        Station(description)


# -- beginning and end -------------------------------------------------------------------------


@pytest.mark.slow
def test_the_key_is_released_and_the_supply_as_the_file_says(
    describe_hardware: Describe,
    drivers: ModuleType,
) -> None:
    station = Station(describe_hardware())
    bench = HardwareBench(station)
    bench.header["power_key"].set_active(True)
    bench.close()
    station.close()
    station.close()
    with drivers.lock:
        line = drivers.model().model.board.lines.on_pin("16")

    assert line is not None
    assert line.level is None
    assert not drivers.model().model.supply.is_on


@pytest.mark.slow
def test_what_can_still_be_done_is_done_when_a_part_has_broken(
    describe_hardware: Describe,
    drivers: ModuleType,
) -> None:
    station = Station(describe_hardware())
    bench = HardwareBench(station)
    bench.header["power_key"].set_active(True)
    bench.close()
    drivers.broken.add("supply")
    with pytest.raises(BenchUnfitError, match="supply"):
        station.close()
    line = drivers.model().model.board.lines.on_pin("16")
    drivers.broken.clear()

    assert line.level is None
    Station(describe_hardware()).close()  # the lock is free


@pytest.mark.parametrize("part", ["supply", "header pin 18"])
def test_a_station_that_cannot_be_opened_names_the_part_and_holds_nothing(
    describe_hardware: Describe,
    drivers: ModuleType,
    part: str,
) -> None:
    drivers.broken.add(part)
    with pytest.raises(BenchUnfitError, match=f"{part}: it does not answer; plug it in again"):
        Station(describe_hardware())
    drivers.broken.clear()

    Station(describe_hardware()).close()


@pytest.mark.slow
def test_a_test_begins_with_the_module_off(describe_hardware: Describe, drivers: ModuleType) -> None:
    station = Station(describe_hardware())
    bench = HardwareBench(station)
    bench.header["radio_disable"].set_active(True)
    bench.supply.set_volts(4.5)
    bench.close()
    bring_to_start(station)
    model = drivers.model().model
    state, volts = model.module.power.state.name, model.supply.volts
    radio = drivers.model().header["radio_disable"].is_active()
    station.close()

    assert (state, volts, radio) == ("OFF", 5.0, False)


def test_a_supply_is_not_turned_on_while_the_antenna_is_not_stated(
    describe_hardware: Describe,
    drivers: ModuleType,
) -> None:
    drivers.model().supply.off()

    with pytest.raises(GuardRefusedError, match="guard antenna refused turning the supply on"):
        Station(describe_hardware({"transmit": {}}))


# -- bad files ---------------------------------------------------------------------------------

LINE_9 = {"driver": "ashbeck", "pin": "9"}
BAD: list[tuple[dict[str, Any], str]] = [
    ({"drivers": {"lines": {"99": LINE_9}}}, r"drivers\.lines\.99: found header pin 99"),
    ({"drivers": {"lines": {"16": {"pin": "9"}}}}, r"drivers\.lines\.16\.driver: found None; allowed: ash"),
    ({"drivers": {"lines": {"16": {"driver": "gpiod", "lin": 3}}}}, r"drivers\.lines\.16\.lin: found a key"),
    ({"drivers": {"ports": {"at": {"driver": "serial"}}}}, r"drivers\.ports\.at\.device: found nothing"),
    ({"drivers": {"supply": {"driver": "ashbeck"}}, "limits": {}}, "without max_volts and max_amps"),
    ({"transmit": {"antenna": "mast"}}, r"transmit\.antenna: found 'mast'; allowed: 'antenna', 'load'"),
    ({"limits": {"numbers": ["112"]}}, r"limits\.numbers\.0: found '112'"),
    ({"end": {"supply": "maybe"}}, r"end\.supply: found 'maybe'"),
    ({"module": {"profile": "fast.toml", "unit": {"key": {"stop_s": 1}}}}, "module.unit: found a unit on"),
    ({"drivers": {"usb": {"driver": "sysfs", "path": "ttyUSB0"}}}, r"drivers\.usb\.path: found 'ttyUSB0'"),
]


@pytest.mark.parametrize(("changes", "said"), BAD, ids=lambda value: value if isinstance(value, str) else "")
def test_a_bad_file_is_one_line(files: Files, changes: dict[str, Any], said: str) -> None:
    files.write(changes)

    with pytest.raises(ValueError, match=said) as caught:
        load_bench(files.hardware)
    assert len(str(caught.value).splitlines()) == 1


def test_a_meter_without_its_bandwidth_is_refused(files: Files) -> None:
    files.write({"drivers": {"meter": {"driver": "ashbeck"}}}, without=("meter",))

    with pytest.raises(ValueError, match="meter: found nothing; allowed: a table with bandwidth_hz"):
        load_bench(files.hardware)


def test_a_simulated_bench_has_no_drivers(files: Files) -> None:
    files.write({"bench": {"based_on": "gauge-station", "name": "x", "kind": "simulated"}})

    with pytest.raises(ValueError, match="drivers: found drivers on a simulated bench; allowed: kind"):
        load_bench(files.hardware)


@pytest.mark.slow
def test_the_modem_is_started_and_stopped_by_its_key(open_bench: Open) -> None:
    modem = Modem(open_bench())
    modem.make_off()
    modem.start()
    modem.press(modem.stop_press_s)
    modem.wait_off()

    assert not modem._shows_ports()
