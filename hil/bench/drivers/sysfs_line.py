"""A header pin by the kernel's old files, /sys/class/gpio (Documentation/admin-guide/gpio/sysfs.rst)."""

from __future__ import annotations

import contextlib
import errno
import time
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Final

from pydantic import Field

from hil.errors import BenchUnfitError

from .contracts import DriverOptions, LineDriver
from .faults import unfit

# udev may need a moment to give an exported line's files to the user's group.
_SETTLES_S: Final = 0.5

if TYPE_CHECKING:
    from collections.abc import Collection


class SysfsLine(LineDriver):
    """Line *number* (base + offset) below *root*/class/gpio.  What this driver has exported it takes back."""

    class Options(DriverOptions):
        """Its keys in a bench file."""

        number: Annotated[int, Field(ge=0)]
        root: str = "/sys"

        def resources(self) -> Collection[str]:
            """The line by its number."""
            return [f"gpio:{Path(self.root).absolute()}:{self.number}"]

    def __init__(self, options: Options, part: str) -> None:
        self._part, self._number = part, options.number
        self._class = Path(options.root) / "class" / "gpio"
        self._folder = self._class / f"gpio{options.number}"
        self._is_closed = self._has_exported = False
        self._export()

    def drive(self, level: bool) -> None:
        """Make it an output at *level* in one write, so that it never shows the other."""
        if self._read("direction") == "out":
            self._write("value", "1" if level else "0")
        else:
            self._write("direction", "high" if level else "low")

    def release(self) -> None:
        """Make it an input."""
        self._write("direction", "in")

    def read(self) -> bool:
        """The level, active_low undone: the driver never sets it and heeds it where somebody has."""
        return (self._read("value") == "1") is not (self._read("active_low") == "1")

    def check(self) -> str:
        """Its direction and level, read only."""
        return f"gpio{self._number} is an {self._read('direction')}put at {self._read('value')}"

    def close(self) -> None:
        """An input again, and no longer exported where this driver has exported it."""
        if self._is_closed:
            return
        self._is_closed = True
        with contextlib.suppress(BenchUnfitError):
            self.release()
        if self._has_exported:
            with contextlib.suppress(OSError):
                (self._class / "unexport").write_text(f"{self._number}\n")

    def _export(self) -> None:
        try:
            if not self._folder.exists():
                (self._class / "export").write_text(f"{self._number}\n")
                self._has_exported = True
        except OSError as error:
            if error.errno == errno.EINVAL:
                raise BenchUnfitError(
                    part=self._part,
                    reason=f"{self._class} has no line {self._number}",
                    cure="number = the chip's base + the line's offset: look at gpiochip*/base",
                ) from error
            raise unfit(self._part, f"line {self._number} of {self._class}", error) from error
        deadline = time.monotonic() + _SETTLES_S
        while True:
            try:
                (self._folder / "direction").open("r+").close()
            except OSError as error:
                if time.monotonic() > deadline:
                    raise unfit(self._part, str(self._folder), error) from error
                time.sleep(0.01)
            else:
                break
        if self._read("active_low") == "1":
            self._write("active_low", "0")

    def _read(self, name: str) -> str:
        try:
            return (self._folder / name).read_text().strip()
        except OSError as error:
            raise unfit(self._part, str(self._folder / name), error) from error

    def _write(self, name: str, text: str) -> None:
        try:
            (self._folder / name).write_text(f"{text}\n")
        except OSError as error:
            raise unfit(self._part, str(self._folder / name), error) from error
