"""Another package's drivers: every part is one of a simulated bench at real pace, in this process.

`ASHBECK_BENCH` names its bench file.  `broken` names parts that fail from then on.
"""

from __future__ import annotations

import os
import subprocess
import threading
import time
from pathlib import Path
from typing import Any

from hil.bench.drivers.contracts import (
    AttenuatorDriver,
    DriverOptions,
    Edge,
    HostDriver,
    LineDriver,
    Link,
    LinkLostError,
    MeterDriver,
    PortDriver,
    Ran,
    SenseDriver,
    SupplyDriver,
)
from hil.bench.files import load_bench
from hil.bench.interface import ControlLines
from hil.bench.interface import Port as SimulatedPort
from hil.bench.simulated.bench import SimulatedBench
from hil.errors import BenchUnfitError, PortGoneError

lock = threading.RLock()
broken: set[str] = set()
driven: dict[str, list[Edge]] = {}
_benches: list[SimulatedBench] = []


def model() -> SimulatedBench:
    """The one simulated bench, made when it is first asked for."""
    with lock:
        if not _benches:
            description = load_bench(Path(os.environ["ASHBECK_BENCH"]))
            _benches.append(SimulatedBench(description, factor=1.0, ports="memory"))
        return _benches[0]


def end() -> None:
    """Let go of it."""
    broken.clear()
    driven.clear()
    with lock:
        while _benches:
            _benches.pop().close()


def _whole(part: str) -> None:
    if part in broken:
        raise BenchUnfitError(part=part, reason="it does not answer", cure="plug it in again")


class Line(LineDriver):
    """A header pin of the model."""

    class Options(DriverOptions):
        pin: str

        def resources(self) -> list[str]:
            return [f"ashbeck:{self.pin}"]

    def __init__(self, options: Options, part: str) -> None:
        _whole(part)
        self._pin, self._part = options.pin, part

    def _do(self, action: str, *arguments: bool) -> Any:  # noqa: ANN401 # whatever it gives
        _whole(self._part)
        with lock:
            return getattr(model().header[self._pin], action)(*arguments)

    def drive(self, level: bool) -> None:
        self._do("drive", level)
        driven.setdefault(self._pin, []).append(Edge(time.monotonic_ns(), level))

    def release(self) -> None:
        self._do("release")

    def read(self) -> bool:
        return bool(self._do("read"))

    def check(self) -> str:
        return "high" if self.read() else "low"

    def close(self) -> None:
        """It stays as it is."""


class Port(PortDriver):
    """A port of the model."""

    class Options(DriverOptions):
        role: str
        adaptor: bool = False

    def __init__(self, options: Options, part: str) -> None:
        self._role, self._part = options.role, part
        self.is_module_s_own = not options.adaptor

    def node(self) -> str | None:
        if self._part in broken:
            return None
        with lock:
            bench = model()
            return bench.ports.node(self._role) if self._role in bench.ports.present() else None

    def open(self, *, baud: int, framing: str) -> Link:
        with lock:
            return _Link(self._part, model().ports.open(self._role, baud=baud, framing=framing))

    def close(self) -> None:
        """There is nothing to let go of."""


class _Link(Link):
    def __init__(self, part: str, port: SimulatedPort) -> None:
        self._part, self._port = part, port

    def read(self, timeout_s: float) -> bytes:
        until_s = time.monotonic() + timeout_s
        while True:
            try:
                if self._part in broken:
                    raise LinkLostError("unplugged")
                with lock:
                    data = self._port.read()
            except PortGoneError as error:
                raise LinkLostError(str(error)) from error
            if data or time.monotonic() > until_s:
                return data
            time.sleep(0.002)

    def write(self, data: bytes) -> None:
        try:
            with lock:
                self._port.write(data)
        except PortGoneError as error:
            raise LinkLostError(str(error)) from error

    def set_line(
        self, *, baud: int | None = None, framing: str | None = None, rtscts: bool | None = None
    ) -> None:
        with lock:
            self._port.set_line(baud=baud, framing=framing, rtscts=rtscts)

    def set_lines(self, *, dtr: bool | None = None, rts: bool | None = None) -> None:
        with lock:
            self._port.set_lines(dtr=dtr, rts=rts)

    @property
    def control_lines(self) -> ControlLines:
        with lock:
            return self._port.control_lines

    def send_break(self, seconds: float) -> None:
        with lock:
            self._port.send_break(seconds)

    def close(self) -> None:
        with lock:
            self._port.close()


class Supply(SupplyDriver):
    """The source of the model."""

    class Options(DriverOptions):
        def resources(self) -> list[str]:
            return ["ashbeck:supply"]

    def __init__(self, options: Options, part: str) -> None:
        del options
        _whole(part)
        self._part = part
        self.limit_a = 0.0

    def set_volts(self, volts: float) -> None:
        _whole(self._part)
        with lock:
            model().supply.set_volts(volts)

    def set_limit(self, amps: float) -> None:
        _whole(self._part)
        self.limit_a = amps

    def turn(self, *, on: bool) -> None:
        _whole(self._part)
        with lock:
            if on:
                model().supply.on()
            else:
                model().supply.off()

    def is_on(self) -> bool:
        _whole(self._part)
        with lock:
            return model().model.supply.is_on

    def volts(self) -> float:
        _whole(self._part)
        with lock:
            return model().model.supply.volts if self.is_on() else 0.0

    def amps(self) -> float:
        _whole(self._part)
        with lock:
            return model().model.supply._demand.amps

    def check(self) -> str:
        return f"{self.volts():.2f} V"

    def close(self) -> None:
        """It stays as it is."""


class Meter(MeterDriver):
    """The rail of the model."""

    class Options(DriverOptions):
        pass

    def __init__(self, options: Options, part: str) -> None:
        del options
        self._part = part

    def volts(self) -> float:
        _whole(self._part)
        with lock:
            return model().supply.rail_volts()

    def check(self) -> str:
        return f"{self.volts():.2f} V"

    def close(self) -> None:
        """There is nothing to let go of."""


class Attenuator(AttenuatorDriver):
    """Between the model's cell, heard at -60 dBm, and its antenna."""

    class Options(DriverOptions):
        pass

    def __init__(self, options: Options, part: str) -> None:
        del options
        self._part = part

    def set_db(self, attenuation_db: float) -> None:
        _whole(self._part)
        with lock:
            model().surroundings.move("network", rsrp_dbm=-60.0 - attenuation_db)

    def close(self) -> None:
        """It stays as it is."""


class Sense(SenseDriver):
    """An input on a header pin: its edges are stamped as `Line` drives them."""

    class Options(DriverOptions):
        pin: str

    def __init__(self, options: Options, part: str) -> None:
        self._pin, self._part = options.pin, part

    def edges(self) -> list[Edge]:
        _whole(self._part)
        return driven.pop(self._pin, [])

    def level(self) -> bool:
        with lock:
            return model().header[self._pin].read()

    def close(self) -> None:
        """There is nothing to let go of."""


class Shell(HostDriver):
    """This machine's own shell."""

    class Options(DriverOptions):
        pass

    def __init__(self, options: Options, part: str) -> None:
        del options
        self._part = part

    def run(self, command: str, *, timeout_s: float) -> Ran:
        _whole(self._part)
        done = subprocess.run(
            ["sh", "-c", command],  # noqa: S607 # any sh
            check=False,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            timeout=timeout_s,
        )
        return Ran(done.returncode, done.stdout)

    def put(self, data: bytes, path: str, *, mode: int = 0o755) -> None:
        Path(path).write_bytes(data)
        Path(path).chmod(mode)

    def reboot(self) -> None:
        with lock:
            model().host.reboot()

    def close(self) -> None:
        """There is nothing to let go of."""
