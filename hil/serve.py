"""Serve a bench in a folder until stopped: what `wakebench simulate` does."""

from __future__ import annotations

import contextlib
import json
import os
import signal
from ipaddress import ip_address
from typing import TYPE_CHECKING, Any, Final

from filelock import FileLock, Timeout

from simulator.edges.instruments import Instruments, language
from simulator.edges.listening import Listening
from simulator.edges.rfc2217_edge import Rfc2217Edge

from .bench.served import ServedBench
from .bench.simulated.bench import pace_name
from .errors import UnknownNameError, UsageError

if TYPE_CHECKING:
    from collections.abc import Collection, Iterator
    from pathlib import Path
    from types import FrameType

    from .bench.files import BenchDescription

_LAST_NUMBER: Final = 65535

# What a pty cannot carry, in the words of somebody who looks for the reason.
PTY_LACKS: Final = (
    "a pseudo-terminal carries no modem-control lines (DTR, RTS, DCD, RI: error 25), no RTS/CTS flow",
    "control, no parity and no seven bits, and tcdrain does not wait for the module (all these: --rfc2217)",
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


def parse_listening(text: str, option: str) -> Listening:
    """`[ADDRESS:]NUMBER` as where to listen, on loopback where no address is given; raises UsageError."""
    address, _, number = text.rpartition(":")
    address = address.removeprefix("[").removesuffix("]") or Listening().address
    try:
        ip_address(address)
        value = int(number)
    except ValueError as error:
        raise UsageError(_listening_text(text, option)) from error
    if not 0 <= value <= _LAST_NUMBER:
        raise UsageError(_listening_text(text, option))
    return Listening(address, value)


def _listening_text(text: str, option: str) -> str:
    return (
        f"{option}: found {text!r}; allowed: the number of the first TCP port, 0 to {_LAST_NUMBER} (0: any "
        "that are free), with an IP address before it to listen elsewhere than on loopback: 2217, "
        "192.0.2.1:2217"
    )


def serve(
    description: BenchDescription,
    folder: Path,
    *,
    factor: float,
    for_s: float | None,
    rfc2217: Listening | None = None,
    over_tcp: Collection[str] = (),
    instruments: Listening | None = None,
) -> None:
    """Serve until SIGINT or SIGTERM, or for *for_s* seconds of the bench's time; prints where things are.

    With *rfc2217* the ports listen there (all, or those *over_tcp*), with *instruments* supply, meter and
    attenuator.  Raises UsageError where that cannot be had, or the folder is another's.
    """
    _refuse_unknown(description, over_tcp)
    with _alone_in(folder.absolute()) as own:
        _serve(
            description,
            own,
            factor=factor,
            for_s=for_s,
            rfc2217=rfc2217,
            over_tcp=over_tcp,
            instruments=instruments,
        )


@contextlib.contextmanager
def _alone_in(folder: Path) -> Iterator[Path]:
    """*folder*, in which nobody else serves meanwhile."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        lock = FileLock(folder / ".served", timeout=0)
        with lock:
            yield folder
    except Timeout as error:
        raise UsageError(
            f"--run-dir: another simulation is served in {folder}; allowed: a folder of its own for each"
        ) from error
    except (FileExistsError, NotADirectoryError, FileNotFoundError, PermissionError) as error:
        if not folder.is_dir() or not os.access(folder, os.W_OK):
            raise UsageError(
                f"--run-dir: {folder} cannot be written to ({error.strerror}); allowed: a folder, or a path "
                "for a new one"
            ) from error
        raise


def _serve(
    description: BenchDescription,
    folder: Path,
    *,
    factor: float,
    for_s: float | None,
    rfc2217: Listening | None,
    over_tcp: Collection[str],
    instruments: Listening | None,
) -> None:
    ready = folder / "ready.json"
    ready.unlink(missing_ok=True)
    # Before the header files: libfuse takes signals that nobody has claimed.
    stop = Stop()
    try:
        served = ServedBench(
            description,
            folder,
            factor=factor,
            rfc2217=rfc2217,
            over_tcp=over_tcp,
        )
    except BaseException:
        stop.close()
        raise
    listening = None
    try:
        listening = _listen(served, instruments)
        served.driver.descriptors.add_reader(stop.descriptor, lambda: None)
        name = description.file.bench.name
        profile, wiring = description.settings.profile.name, description.settings.wiring.name
        lines = [
            f"bench {name}: {profile} on {wiring}, pace {pace_name(factor)}, pid {os.getpid()}",
            *_ports_text(served, folder, rfc2217),
            *([] if listening is None else [f"instruments {listening.resource}"]),
            f"header     {folder}/sys/class/gpio",
            *([] if served.without_fuse else [f"usb        {folder}/sys/bus/usb"]),
            f"recording  {folder}/recording.jsonl",
            *(PTY_LACKS if rfc2217 is None or over_tcp else ()),
        ]
        if served.without_fuse is not None:
            lines.append(
                f"no FUSE ({served.without_fuse}): header files are plain files and return no errors, and "
                "there are no files of USB devices"
            )
        print("\n".join(lines), flush=True)  # noqa: T201 # a command's output
        facts = _facts(served, description, factor)
        _write_json(ready, facts | ({} if listening is None else {"instruments": listening.resource}))
        served.serve(for_s=for_s, stopped=lambda: stop.is_asked)
    finally:
        ready.unlink(missing_ok=True)
        if listening is not None:
            listening.close()
        served.close()
        stop.close()


def _listen(served: ServedBench, where: Listening | None) -> Instruments | None:
    if where is None:
        return None
    driver = served.driver
    try:
        return Instruments(
            language(driver.model, driver.settle), listening=where, descriptors=driver.descriptors
        )
    except (OSError, OverflowError) as error:
        raise UsageError(
            f"--instruments: {where.address}:{where.number} cannot be had ({error}); allowed: an address of "
            "this machine with a number that is free, or 0"
        ) from error


def _refuse_unknown(description: BenchDescription, over_tcp: Collection[str]) -> None:
    known = [*description.profile.usb.roles, *(["uart"] if description.settings.host.uart else [])]
    for role in over_tcp:
        if role not in known:
            raise UnknownNameError(kind="port", name=role, known=known)


def _ports_text(served: ServedBench, folder: Path, rfc2217: Listening | None) -> list[str]:
    lines = [f"ports      {folder}/dev/ (each while the module presents it)"] if served.links else []
    if rfc2217 is None:
        return lines
    lines += [f"{role:<10} {url} (while the module presents it)" for role, url in _urls(served).items()]
    if not ip_address(rfc2217.address).is_loopback:
        lines.append(
            f"caution: {rfc2217.address} can be reached from other machines, and there is no password: "
            "whoever reaches it uses the modem"
        )
    return lines


def _urls(served: ServedBench) -> dict[str, str]:
    edges = served.bench.edges.by_role
    return {
        role: edge.url
        for role in served.bench.model.module.ports
        if isinstance(edge := edges[role], Rfc2217Edge)
    }


def _facts(served: ServedBench, description: BenchDescription, factor: float) -> dict[str, Any]:
    module, urls = served.bench.model.module, _urls(served)
    return {
        "bench": description.file.bench.name,
        "pid": os.getpid(),
        "pace": pace_name(factor),
        "ports": {role: urls.get(role, str(served.folder / "dev" / role)) for role in module.ports},
        "present": [role for role, port in module.ports.items() if port.is_present],
        "header": str(served.folder / "sys" / "class" / "gpio"),
        "header_by": "folder" if served.without_fuse is not None else "fuse",
        "usb": None if served.without_fuse is not None else str(served.folder / "sys" / "bus" / "usb"),
        "recording": str(served.folder / "recording.jsonl"),
    }


def _write_json(path: Path, facts: dict[str, Any]) -> None:
    """In one step, so that whoever waits for the file never reads half of it."""
    draft = path.with_suffix(".tmp")
    draft.write_text(json.dumps(facts, indent=1) + "\n")
    draft.rename(path)
