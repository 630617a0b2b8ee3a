"""Serve a bench in a folder until stopped: what `wakebench simulate` does."""

from __future__ import annotations

import json
import os
import signal
from typing import TYPE_CHECKING, Any, Final

from .bench.served import ServedBench
from .bench.simulated import pace_name

if TYPE_CHECKING:
    from pathlib import Path
    from types import FrameType

    from .bench.files import BenchDescription

# What a pty cannot carry, in the words of somebody who looks for the reason.
PTY_LACKS: Final = (
    "a pseudo-terminal carries no modem-control lines (DTR, RTS, DCD, RI: error 25), no RTS/CTS flow",
    "control and no parity, and tcdrain does not wait for the module; all else is as on a serial port",
)


class Stop:
    """SIGINT and SIGTERM ask for a clean stop; the serving loop wakes for it."""

    def __init__(self) -> None:
        self.is_asked = False
        self.descriptor = os.eventfd(0, os.EFD_NONBLOCK | os.EFD_CLOEXEC)
        self._before = {
            number: signal.signal(number, self._ask) for number in (signal.SIGINT, signal.SIGTERM)
        }

    def _ask(self, number: int, frame: FrameType | None) -> None:
        del number, frame
        self.is_asked = True
        os.eventfd_write(self.descriptor, 1)

    def close(self) -> None:
        """Give the signals back."""
        for number, handler in self._before.items():
            signal.signal(number, handler)
        os.close(self.descriptor)


def serve(description: BenchDescription, folder: Path, *, factor: float, for_s: float | None) -> None:
    """Serve until SIGINT or SIGTERM, or for *for_s* seconds of the bench's time; prints where things are."""
    folder = folder.absolute()
    ready = folder / "ready.json"
    ready.unlink(missing_ok=True)
    # Before the header files: libfuse takes signals that nobody has claimed.
    stop = Stop()
    served = ServedBench(description, folder, factor=factor, link_name=lambda port: port.role)
    try:
        served.driver.descriptors.add_reader(stop.descriptor, lambda: None)
        name = description.file.bench.name
        profile, wiring = description.settings.profile.name, description.settings.wiring.name
        lines = [
            f"bench {name}: {profile} on {wiring}, pace {pace_name(factor)}, pid {os.getpid()}",
            f"ports      {folder}/dev/ (each while the module presents it)",
            f"header     {folder}/sys/class/gpio",
            f"recording  {folder}/recording.jsonl",
            *PTY_LACKS,
        ]
        if served.without_fuse is not None:
            lines.append(
                f"no FUSE ({served.without_fuse}): header files are plain files and return no errors"
            )
        print("\n".join(lines), flush=True)  # noqa: T201 # a command's output
        _write_json(ready, _facts(served, description, factor))
        served.serve(for_s=for_s, stopped=lambda: stop.is_asked)
    finally:
        ready.unlink(missing_ok=True)
        served.close()
        stop.close()


def _facts(served: ServedBench, description: BenchDescription, factor: float) -> dict[str, Any]:
    module = served.bench.model.module
    return {
        "bench": description.file.bench.name,
        "pid": os.getpid(),
        "pace": pace_name(factor),
        "ports": {role: str(served.folder / "dev" / role) for role in module.ports},
        "present": [role for role, port in module.ports.items() if port.is_present],
        "header": str(served.folder / "sys" / "class" / "gpio"),
        "header_by": "folder" if served.without_fuse is not None else "fuse",
        "recording": str(served.folder / "recording.jsonl"),
    }


def _write_json(path: Path, facts: dict[str, Any]) -> None:
    """In one step, so that whoever waits for the file never reads half of it."""
    draft = path.with_suffix(".tmp")
    draft.write_text(json.dumps(facts, indent=1) + "\n")
    draft.rename(path)
