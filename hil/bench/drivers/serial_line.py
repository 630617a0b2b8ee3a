"""A header pin by the DTR or RTS output of a serial adaptor, read by one of its inputs.

An adaptor at logic level drives its pin low where the line is asserted (common practice, no source;
`asserted` says it).  The kernel asserts DTR and RTS for a moment when the adaptor is opened: wire them so
that asserted is rest, or a resting key is pressed then.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any, ClassVar, Literal

import serial

from .contracts import DriverOptions, LineDriver
from .faults import unfit

if TYPE_CHECKING:
    from collections.abc import Collection


class _Adaptor:
    """One opened adaptor, which several lines may share."""

    opened: ClassVar[dict[str, _Adaptor]] = {}

    def __init__(self, device: str) -> None:
        self.device, self.users = device, 0
        self.serial: Any = serial.serial_for_url(device, do_not_open=True)
        self.serial.dtr = self.serial.rts = False
        if "://" not in device:
            self.serial.exclusive = True
        self.serial.open()

    @classmethod
    def of(cls, device: str) -> _Adaptor:
        found = cls.opened.get(device)
        if found is None:
            found = cls.opened[device] = cls(device)
        found.users += 1
        return found

    def let_go(self) -> None:
        self.users -= 1
        if not self.users:
            del self.opened[self.device]
            self.serial.close()


class SerialLine(LineDriver):
    """*output* of the adaptor at *device*; *asserted* is the level at the pin then; *input* reads the pin.

    It cannot float: released, the output rests where it is not asserted.
    """

    class Options(DriverOptions):
        """Its keys in a bench file."""

        device: str
        output: Literal["dtr", "rts"]
        input: Literal["cts", "dsr", "cd", "ri"] | None = None
        asserted: Literal["low", "high"] = "low"

        def resources(self) -> Collection[str]:
            """The one output."""
            return [f"serial:{self.device}:{self.output}"]

    def __init__(self, options: Options, part: str) -> None:
        self._options, self._part = options, part
        self._is_closed = False
        try:
            self._adaptor = _Adaptor.of(options.device)
        except OSError as error:
            raise unfit(part, options.device, error) from error

    def drive(self, level: bool) -> None:
        """Assert the output, or not."""
        self._set(level is (self._options.asserted == "high"))

    def release(self) -> None:
        """Rest."""
        self._set(False)  # noqa: FBT003 # not asserted

    def read(self) -> bool:
        """The level at the input; without one, what the output was set to."""
        name = self._options.input or self._options.output
        try:
            asserted = bool(getattr(self._adaptor.serial, name))
        except OSError as error:
            raise unfit(self._part, self._options.device, error) from error
        return asserted is (self._options.asserted == "high")

    def check(self) -> str:
        """Its level."""
        return f"{self._options.output} of {self._options.device} is {'high' if self.read() else 'low'}"

    def close(self) -> None:
        """Rest, and let go of the adaptor."""
        if self._is_closed:
            return
        self._is_closed = True
        with contextlib.suppress(OSError):
            setattr(self._adaptor.serial, self._options.output, False)
        self._adaptor.let_go()

    def _set(self, asserted: bool) -> None:
        try:
            setattr(self._adaptor.serial, self._options.output, asserted)
        except OSError as error:
            raise unfit(self._part, self._options.device, error) from error
