"""Where one command is going to run against the wall: folder, mounts, bench, sandbox, who answers for lines.

What is not answered for here is the kernel's own, and so is time.
"""

from __future__ import annotations

import tempfile
import time
from pathlib import Path
from typing import TYPE_CHECKING

from simulator.edges.host_mounts import HostMounts

from .gpio_device.paced import PacedLines, hold_line_calls, why_not
from .process import SandboxProcess
from .sandbox import mounts_are_demanded, prepare_dev, sandboxed
from .script_bench import script_bench

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from hil.bench.files import BenchDescription
    from simulator.edges.pacing import Driver


class PacedStage:
    """One place for one run of *command* in *folder*, with *environment*, on the bench of *description*;
    closed by whoever makes it, once the run is over.

    `served` is that bench, *factor* times as quick as the wall's clock.  `notices` says what is missing on
    this machine.  Raises BenchUnfitError where there can be no mounts.
    """

    def __init__(
        self,
        command: Sequence[str],
        folder: Path,
        environment: Mapping[str, str],
        description: BenchDescription,
        factor: float,
    ) -> None:
        self._command, self._run_in, self._environment = command, folder, environment
        without, gpio_chip = why_not(), description.settings.host.gpio_chip
        self._gpio_chip = gpio_chip if without is None else None
        self.notices = () if without is None else (f"there is no /dev/{gpio_chip} in this run: {without}",)
        self._folder = tempfile.TemporaryDirectory(prefix="wakebench-")
        self.place = Path(self._folder.name)
        prepare_dev(self.place / "dev", gpio_chip=self._gpio_chip)
        self._driver: Driver | None = None
        self._lines: PacedLines | None = None
        with mounts_are_demanded(self._folder):
            self.mounts = HostMounts(self.place, uptime_ns=self._uptime_ns)
        self._held = hold_line_calls() if without is None else None
        try:
            self.served = script_bench(
                description, self.place, self.mounts, factor=factor, environment=environment
            )
        except BaseException:
            self._take_away()
            raise
        self.served.show()

    def start(self, *, stdout: Callable[[bytes], None], stderr: Callable[[bytes], None]) -> SandboxProcess:
        """Start the command; whoever calls serves the bench from now on."""
        driver = self._driver = self.served.driver
        if self._held is None:
            return SandboxProcess(self._arguments, driver.descriptors, stdout=stdout, stderr=stderr)
        self._lines = PacedLines(driver, self._held)
        return SandboxProcess(
            self._arguments, driver.descriptors, stdout=stdout, stderr=stderr, start=self._held.start
        )

    def end(self) -> None:
        """All that ran has gone: the lines that it held are released."""
        if self._lines is not None:
            self._lines.close()

    def close(self) -> None:
        """Take all away."""
        self.served.close()
        self._take_away()

    def _take_away(self) -> None:
        if self._held is not None:
            self._held.close()
        self.mounts.close()
        self._folder.cleanup()

    def _arguments(self, status_fd: int, filter_fd: int | None) -> list[str]:
        return sandboxed(
            self._command,
            dev=self.place / "dev",
            sys=self.mounts.sys,
            kmsg=self.mounts.kmsg,
            folder=self._run_in,
            environment=self._environment,
            status_fd=status_fd,
            filter_fd=filter_fd,
            gpio_chip=self._gpio_chip,
        )

    def _uptime_ns(self, now_ns: int) -> int:
        """As the machine's own clocks tell it to the command."""
        if self._driver is None:
            return now_ns
        since_boot_ns = time.clock_gettime_ns(time.CLOCK_BOOTTIME) - time.monotonic_ns()
        return self._driver.monotonic_ns(now_ns) + since_boot_ns
