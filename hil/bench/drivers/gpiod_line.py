"""A header pin by the kernel's GPIO character device, through libgpiod 2's Python binding."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Final

from pydantic import Field

from hil.errors import BenchUnfitError

from .contracts import DriverOptions, LineDriver
from .faults import unfit
from .table import need

if TYPE_CHECKING:
    from collections.abc import Callable, Collection

CONSUMER: Final = "wakebench"


class GpiodOptions(DriverOptions):
    """A line by its offset on a chip, or by its name."""

    chip: str = "/dev/gpiochip0"
    line: Annotated[int, Field(ge=0)] | Annotated[str, Field(min_length=1)]

    def resources(self) -> Collection[str]:
        """The line on its chip."""
        return [f"gpio:{self.chip}:{self.line}"]


class GpiodRequest:
    """One requested line; foreign errors become the bench's."""

    def __init__(self, options: GpiodOptions, part: str, **settings: Any) -> None:  # noqa: ANN401 # LineSettings
        self.gpiod: Any = need("gpiod", driver="gpiod")
        self.part, self.line = part, options.line
        self.place = f"line {options.line} of {options.chip}"

        def request() -> Any:  # noqa: ANN401 # the binding has its own types
            config = {options.line: self.gpiod.LineSettings(**self._words(settings))}
            return self.gpiod.request_lines(options.chip, consumer=CONSUMER, config=config)

        self._request: Any = self.tried(request)

    def reconfigure(self, **settings: Any) -> None:  # noqa: ANN401 # LineSettings
        """Change its settings in one step."""
        config = {self.line: self.gpiod.LineSettings(**self._words(settings))}
        self.tried(lambda: self._request.reconfigure_lines(config))

    def value(self) -> bool:
        """Its level."""
        return bool(self.tried(lambda: self._request.get_value(self.line)) == self.gpiod.line.Value.ACTIVE)

    def edges(self) -> list[Any]:
        """The edge events that have come."""
        found: list[Any] = []
        while self.tried(lambda: self._request.wait_edge_events(0)):
            found += self.tried(self._request.read_edge_events)
        return found

    def release(self) -> None:
        """Give it back."""
        with contextlib.suppress(Exception):  # whatever the binding raises of a request that is gone
            self._request.release()

    def tried(self, action: Callable[[], Any]) -> Any:  # noqa: ANN401 # whatever it gives
        """*action*, its errors told as the bench's."""
        try:
            return action()
        except OSError as error:
            raise unfit(self.part, self.place, error) from error
        except (ValueError, self.gpiod.RequestReleasedError) as error:
            raise BenchUnfitError(
                part=self.part, reason=f"{self.place}: {error}", cure="look at what gpioinfo lists"
            ) from error

    def _words(self, settings: dict[str, Any]) -> dict[str, Any]:
        """`direction="output"` and the like as the binding's own."""
        line = self.gpiod.line
        kinds = {
            "direction": line.Direction,
            "output_value": line.Value,
            "edge_detection": line.Edge,
            "event_clock": line.Clock,
        }
        return {key: getattr(kinds[key], value.upper()) for key, value in settings.items()}


class GpiodLine(LineDriver):
    """A line by its offset or name; an input until it is driven."""

    Options: ClassVar[type[DriverOptions]] = GpiodOptions

    def __init__(self, options: GpiodOptions, part: str) -> None:
        self._request = GpiodRequest(options, part, direction="input")
        self._is_closed = False

    def drive(self, level: bool) -> None:
        """Direction and level change in one call, so that the pin never shows the other level."""
        self._request.reconfigure(direction="output", output_value="active" if level else "inactive")

    def release(self) -> None:
        """Make it an input."""
        self._request.reconfigure(direction="input")

    def read(self) -> bool:
        """The level at the pin."""
        return self._request.value()

    def check(self) -> str:
        """Its level."""
        return f"{self._request.place} reads {'high' if self.read() else 'low'}"

    def close(self) -> None:
        """An input again before it is given back: the kernel promises nothing of a released output."""
        if not self._is_closed:
            self._is_closed = True
            with contextlib.suppress(BenchUnfitError):
                self.release()
            self._request.release()
