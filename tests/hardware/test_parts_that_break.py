"""Each part pulled away while a suite runs: exit 3 and one line, the bench free, the next run works."""

from __future__ import annotations

import contextlib
import os
import socket
import subprocess
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from .stand_in import TOP, StandIn
from .verdicts import repeated

SUITE = "power_key"
ONE = "power_key::test_a_short_press_is_ignored"
pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif("WAKEBENCH_NIGHTLY" not in os.environ, reason="takes minutes: WAKEBENCH_NIGHTLY=1"),
]

# A run has its bench in hand by then, and is not near its end.
_UNDER_WAY_S = 5.0


class Cable:
    """A TCP connection's way to an instrument, that can be cut and mended; `resource` is the near end."""

    def __init__(self, resource: str) -> None:
        _, address, port, _ = resource.split("::")
        self._far = (address, int(port))
        self._ends: list[socket.socket] = []
        self.is_cut = False
        self._listener = socket.create_server(("127.0.0.1", 0))
        threading.Thread(target=self._accept, daemon=True).start()

    @property
    def resource(self) -> str:
        return f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"

    def cut(self) -> None:
        self.is_cut = True
        while self._ends:
            end = self._ends.pop()
            with contextlib.suppress(OSError):
                end.shutdown(socket.SHUT_RDWR)
            end.close()

    def close(self) -> None:
        self.cut()
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()

    def _accept(self) -> None:
        with contextlib.suppress(OSError):
            while True:
                near, _ = self._listener.accept()
                if self.is_cut:
                    near.close()
                    continue
                far = socket.create_connection(self._far)
                self._ends += [near, far]
                for one, other in ((near, far), (far, near)):
                    threading.Thread(target=self._carry, args=(one, other), daemon=True).start()

    def _carry(self, one: socket.socket, other: socket.socket) -> None:
        with contextlib.suppress(OSError):
            while data := one.recv(4096):
                other.sendall(data)


@pytest.fixture
def stand_in(tmp_path: Path) -> Iterator[StandIn]:
    with StandIn(tmp_path) as found:
        yield found


def run_until_it_breaks(stand_in: StandIn, pull: Callable[[], None]) -> tuple[int, str]:
    """Exit code and the error line of a run in whose midst *pull* is done."""
    process = subprocess.Popen(
        stand_in.command("test", stand_in.bench, SUITE, "-q"),
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        cwd=TOP,
        env=stand_in.environment,
    )
    try:
        time.sleep(_UNDER_WAY_S)
        assert process.poll() is None
        pull()
        _, errors = process.communicate(timeout=120)
    finally:
        process.kill()
        process.wait()
    return process.returncode, errors


def works(stand_in: StandIn) -> bool:
    """Whether nobody holds the bench, and a test passes on it."""
    found, _ = repeated(stand_in, [ONE])
    return {name: verdict.word for name, verdict in found.items()} == {ONE: "passed"}


def test_the_serving_process_is_killed(stand_in: StandIn) -> None:
    code, errors = run_until_it_breaks(stand_in, stand_in.kill)
    stand_in.restart()

    assert code == 3, errors
    assert len(errors.splitlines()) == 1
    assert works(stand_in)


def test_the_instruments_hang_up(stand_in: StandIn) -> None:
    cable = Cable(stand_in.facts["instruments"])
    try:
        stand_in.point(cable.resource)
        code, errors = run_until_it_breaks(stand_in, cable.cut)
    finally:
        cable.close()
    stand_in.point(stand_in.facts["instruments"])

    assert code == 3, errors
    assert len(errors.splitlines()) == 1
    assert "supply" in errors or "meter" in errors
    assert works(stand_in)


def test_the_tree_of_lines_is_removed(stand_in: StandIn, tmp_path: Path) -> None:
    link = tmp_path / "lines"
    link.symlink_to(stand_in.run / "sys")
    stand_in.point(stand_in.facts["instruments"], sys=link)
    code, errors = run_until_it_breaks(stand_in, link.unlink)
    link.symlink_to(stand_in.run / "sys")

    assert code == 3, errors
    assert len(errors.splitlines()) == 1
    assert "header pin" in errors
    assert works(stand_in)
