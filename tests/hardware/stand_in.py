"""A served simulation that stands in for hardware, and the bench file that points the real drivers at it."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import TYPE_CHECKING, Any

import tomli_w

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

HERE = Path(__file__).parent
TOP = HERE.parents[1]
WAKEBENCH = Path(sys.executable).with_name("wakebench")
# By how much the module's delays are divided: presses are as long as ever, what follows is bearable.
QUICKER = 10
_DEAD = ("dead_after_supply_s", "dead_in_boot_s", "dead_after_off_s")
_READY_S = 60.0


def quick_profile() -> dict[str, Any]:
    """The demo's module with its delays and dead windows divided."""
    profile = tomllib.loads((TOP / "simulator/profiles/tarn-l4.toml").read_text(encoding="utf-8"))
    profile["name"] = "tarn-quick"
    profile["delays"] = {name: _divided(value) for name, value in profile["delays"].items()}
    profile["key"] |= {name: profile["key"][name] / QUICKER for name in _DEAD}
    return profile


def _divided(value: dict[str, float] | float) -> dict[str, float] | float:
    if isinstance(value, dict):
        return {name: number / QUICKER for name, number in value.items()}
    return value / QUICKER


class StandIn:
    """Serves in *folder* until closed.

    `bench` is the hardware bench's file, `served` that of the simulated bench behind it, `simulated` that of
    one beside it.
    Locks and daily budgets of its bench lie in the same folder.
    """

    def __init__(self, folder: Path) -> None:
        self.run = folder / "run"
        self.bench, self.served = folder / "stand-in.toml", folder / "served.toml"
        self.environment = {**os.environ, "WAKEBENCH_STATE": str(folder / "state")}
        (folder / "quick.toml").write_text(tomli_w.dumps(quick_profile()), encoding="utf-8")
        self.simulated = folder / "simulated.toml"
        for file in (self.served, self.simulated):
            file.write_text((HERE / file.name).read_text(encoding="utf-8"), encoding="utf-8")
        self._process = self._start()

    def _start(self) -> subprocess.Popen[bytes]:
        command = self.command("simulate", self.served, "--run-dir", self.run, "--instruments", "0")
        command += ["--rfc2217", "0", "--over-tcp", "uart"]
        ready = self.run / "ready.json"
        ready.unlink(missing_ok=True)  # one that was killed has left it
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL)
        deadline = time.monotonic() + _READY_S
        while not ready.exists():
            if process.poll() is not None or time.monotonic() > deadline:
                process.kill()
                process.wait()
                raise AssertionError("the simulation does not serve")
            time.sleep(0.02)
        self.facts = json.loads(ready.read_text(encoding="utf-8"))
        self.point(self.facts["instruments"])
        return process

    def point(self, instruments: str, *, sys: Path | None = None) -> None:
        """Write the hardware bench's file: where its *instruments* and its lines are."""
        text = (HERE / "stand-in.toml").read_text(encoding="utf-8")
        text = text.replace("RUN/sys", str(sys or self.run / "sys")).replace("RUN", str(self.run))
        text = text.replace("UART", self.facts["ports"]["uart"])
        self.bench.write_text(text.replace("INSTRUMENTS", instruments), encoding="utf-8")

    def command(self, *arguments: object) -> list[str]:
        """`wakebench` with *arguments*."""
        return [str(WAKEBENCH), *map(str, arguments)]

    def wakebench(self, *arguments: object, timeout_s: float = 240) -> subprocess.CompletedProcess[str]:
        """Run `wakebench` to its end, with the locks and budgets of this bench."""
        return subprocess.run(
            self.command(*arguments),
            check=False,
            capture_output=True,
            text=True,
            timeout=timeout_s,
            cwd=TOP,
            env=self.environment,
        )

    def kill(self) -> None:
        """The serving process is gone in an instant."""
        self._process.kill()
        self._process.wait()

    def restart(self) -> None:
        """Serve again, where `kill` has ended it."""
        self._process = self._start()

    def close(self) -> None:
        """End it in good order."""
        if self._process.poll() is None:
            self._process.terminate()
            self._process.wait(30)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()
