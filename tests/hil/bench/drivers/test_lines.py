"""Header lines: by sysfs on the files of a simulated host, by gpiod with a request of ours, by an adaptor."""

from __future__ import annotations

import shutil
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import gpiod
import pytest
import serial

from hil.bench.drivers.gpiod_line import GpiodLine, GpiodOptions
from hil.bench.drivers.gpiod_sense import GpiodSense
from hil.bench.drivers.serial_line import SerialLine
from hil.bench.drivers.sysfs_line import SysfsLine
from hil.errors import BenchUnfitError
from hil.testing import LineContract, SenseContract
from simulator.board.host import HostLine
from simulator.edges.gpio_tree import gpio_tree
from simulator.edges.header_files import HeaderFiles
from simulator.model import Model

PART = "header pin 16"


class TestSysfs(LineContract):
    """On /sys/class/gpio as the simulated host has it, through FUSE."""

    @pytest.fixture
    def model(self, build: Callable[..., Model]) -> Model:
        return build()

    @pytest.fixture
    def sys(self, model: Model, tmp_path: Path) -> Iterator[Path]:
        files = HeaderFiles(gpio_tree(model.board.lines), tmp_path / "sys", run=lambda call: call())
        yield tmp_path / "sys"
        files.close()

    @pytest.fixture
    def line(self, sys: Path) -> Iterator[SysfsLine]:
        found = SysfsLine(SysfsLine.Options(number=84, root=str(sys)), PART)
        yield found
        found.close()

    @pytest.fixture
    def outside(self, model: Model) -> Callable[[], bool | None]:
        line = model.board.lines.on_pin("16")
        assert line is not None
        return lambda: line.level

    @pytest.fixture
    def break_it(self, sys: Path) -> Callable[[], None]:
        def break_it() -> None:
            (sys / "class/gpio/unexport").write_text("84")

        return break_it

    def test_it_never_shows_the_other_level_on_its_way(
        self, line: SysfsLine, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        levels: list[bool] = []
        drive = HostLine.drive

        def noted(line: HostLine, level: bool, *, by: str) -> None:
            levels.append(level)
            drive(line, level, by=by)

        monkeypatch.setattr(HostLine, "drive", noted)
        line.drive(True)
        line.release()
        line.drive(True)

        assert levels == [True, True]

    @pytest.mark.parametrize(("number", "said"), [(4000, "has no line 4000"), (900, "has no line 900")])
    def test_a_number_that_no_chip_has_is_told(self, sys: Path, number: int, said: str) -> None:
        with pytest.raises(BenchUnfitError, match=said):
            SysfsLine(SysfsLine.Options(number=number, root=str(sys)), PART)

    def test_a_kernel_without_these_files_is_told(self, tmp_path: Path) -> None:
        with pytest.raises(BenchUnfitError, match="is not there; plug it in"):
            SysfsLine(SysfsLine.Options(number=84, root=str(tmp_path / "none")), PART)


class Request:
    """What the kernel would hold for one requested line: what of `gpiod.LineRequest` a driver uses."""

    def __init__(self, chip: Chip, config: dict[Any, Any]) -> None:
        self.chip, self.released = chip, False
        self.reconfigure_lines(config)

    def reconfigure_lines(self, config: dict[Any, gpiod.LineSettings]) -> None:
        self.chip.fail()
        [settings] = config.values()
        self.chip.settings = settings
        is_output = settings.direction == gpiod.line.Direction.OUTPUT
        self.chip.driven = settings.output_value == gpiod.line.Value.ACTIVE if is_output else None

    def get_value(self, line: int | str) -> gpiod.line.Value:
        del line
        self.chip.fail()
        level = self.chip.driven if self.chip.driven is not None else self.chip.applied
        return gpiod.line.Value.ACTIVE if level else gpiod.line.Value.INACTIVE

    def wait_edge_events(self, timeout: float) -> bool:
        del timeout
        return bool(self.chip.edges)

    def read_edge_events(self) -> list[Any]:
        events, self.chip.edges = self.chip.edges, []
        return events

    def release(self) -> None:
        self.released = True


class EdgeEvent:
    """As the binding's own: a time and a kind."""

    def __init__(self, *, rising: bool) -> None:
        kinds = gpiod.EdgeEvent.Type
        self.timestamp_ns = time.monotonic_ns()
        self.event_type = kinds.RISING_EDGE if rising else kinds.FALLING_EDGE


class Chip:
    """One line of a chip: what drives it, what is applied to it, and an error to meet."""

    def __init__(self) -> None:
        self.driven: bool | None = None
        self.applied = False
        self.error: Exception | None = None
        self.settings: gpiod.LineSettings | None = None
        self.edges: list[EdgeEvent] = []
        self.asked: list[tuple[Any, ...]] = []

    def request_lines(self, path: str, *, consumer: str, config: dict[Any, Any]) -> Request:
        self.fail()
        self.asked.append((path, consumer, list(config)))
        return Request(self, config)

    def fail(self) -> None:
        if self.error is not None:
            raise self.error


@pytest.fixture
def chip(monkeypatch: pytest.MonkeyPatch) -> Chip:
    """`gpiod` with its own types, and a request that needs no kernel with lines."""
    found = Chip()
    monkeypatch.setattr(gpiod, "request_lines", found.request_lines)
    return found


class TestGpiod(LineContract):
    """The binding's own types and words; the request is ours, for this kernel has no lines."""

    @pytest.fixture
    def line(self, chip: Chip) -> GpiodLine:
        del chip
        return GpiodLine(GpiodOptions(line=84), PART)

    @pytest.fixture
    def outside(self, chip: Chip) -> Callable[[], bool | None]:
        return lambda: chip.driven

    @pytest.fixture
    def break_it(self, chip: Chip) -> Callable[[], None]:
        return lambda: setattr(chip, "error", OSError(19, "No such device"))

    def test_a_line_may_be_named(self, chip: Chip) -> None:
        GpiodLine(GpiodOptions(chip="/dev/gpiochip1", line="MODEM_KEY"), PART)

        assert chip.asked == [("/dev/gpiochip1", "wakebench", ["MODEM_KEY"])]

    @pytest.mark.parametrize(
        ("error", "said"),
        [
            (PermissionError(13, "Permission denied"), "may not be used; give the user access"),
            (OSError(16, "Device or resource busy"), "is in use; end the program that holds it"),
            (FileNotFoundError(2, "No such file"), "is not there; plug it in"),
            (ValueError("unknown line"), "unknown line; look at what gpioinfo lists"),
        ],
    )
    def test_what_keeps_it_from_a_line_is_told_with_a_cure(
        self, chip: Chip, error: Exception, said: str
    ) -> None:
        chip.error = error

        with pytest.raises(BenchUnfitError, match=said):
            GpiodLine(GpiodOptions(line=84), PART)


def test_the_real_binding_tells_that_there_is_no_chip() -> None:
    with pytest.raises(BenchUnfitError, match=r"line 84 of /dev/no-such-chip is not there"):
        GpiodLine(GpiodOptions(chip="/dev/no-such-chip", line=84), PART)


class TestGpiodSense(SenseContract):
    """Edges as the binding gives them; the kernel's stamps are ours here."""

    @pytest.fixture
    def sense(self, chip: Chip) -> GpiodSense:
        del chip
        return GpiodSense(GpiodOptions(line=90), "sense input 16")

    @pytest.fixture
    def move(self, chip: Chip) -> Callable[[bool], None]:
        def move(level: bool) -> None:
            if level is not chip.applied:
                chip.edges.append(EdgeEvent(rising=level))
            chip.applied = level

        return move

    def test_the_kernel_is_asked_for_both_edges_by_the_monotonic_clock(
        self, sense: GpiodSense, chip: Chip
    ) -> None:
        del sense
        assert chip.settings is not None

        assert chip.settings.edge_detection == gpiod.line.Edge.BOTH
        assert chip.settings.event_clock == gpiod.line.Clock.MONOTONIC


class TestAdaptor(LineContract):
    """DTR and DSR of pyserial's own loop, which ties them together."""

    floats = False

    @pytest.fixture
    def adaptor(self, monkeypatch: pytest.MonkeyPatch) -> Any:  # noqa: ANN401 # pyserial's own
        found: Any = serial.serial_for_url("loop://", do_not_open=True)
        monkeypatch.setattr(serial, "serial_for_url", lambda _, **__: found)
        return found

    @pytest.fixture
    def line(self, adaptor: Any) -> Iterator[SerialLine]:  # noqa: ANN401 # pyserial's own
        del adaptor
        options = SerialLine.Options(device="loop://", output="dtr", input="dsr", asserted="low")
        found = SerialLine(options, PART)
        yield found
        found.close()

    @pytest.fixture
    def outside(self, adaptor: Any) -> Callable[[], bool]:  # noqa: ANN401 # pyserial's own
        return lambda: not adaptor.dtr

    @pytest.fixture
    def break_it(self, adaptor: Any, monkeypatch: pytest.MonkeyPatch) -> Callable[[], None]:  # noqa: ANN401 # pyserial's own
        def fail(_: object) -> bool:
            raise OSError(5, "Input/output error")

        def break_it() -> None:
            monkeypatch.setattr(type(adaptor), "_update_dtr_state", fail)
            monkeypatch.setattr(type(adaptor), "dsr", property(fail))

        return break_it

    def rest_level(self, line: Any) -> bool:  # noqa: ANN401 # the contract's
        del line
        return True

    def test_two_lines_share_an_adaptor(self, adaptor: Any, line: SerialLine) -> None:  # noqa: ANN401 # pyserial's own
        other = SerialLine(
            SerialLine.Options(device="loop://", output="rts", input="cts", asserted="high"), "header pin 18"
        )
        other.drive(True)
        line.drive(True)

        assert (adaptor.rts, adaptor.dtr) == (True, False)
        other.close()
        assert adaptor.is_open
        assert adaptor.rts is False


def test_an_adaptor_that_is_not_there_is_told(tmp_path: Path) -> None:
    with pytest.raises(BenchUnfitError, match="is not there; plug it in"):
        SerialLine(SerialLine.Options(device=str(tmp_path / "ttyUSB9"), output="dtr"), PART)


assert shutil.which("fusermount3")  # what TestSysfs needs, and ci/setup installs
