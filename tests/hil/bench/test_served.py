"""A bench served in a folder: links, header files with and without FUSE, and what bad clients do to it."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hil.bench import served as served_module
from hil.bench.served import ServedBench
from hil.errors import PartMissingError
from hil.recording.store import load
from simulator.edges.fuse_mount import NoFuseError
from simulator.edges.listening import Listening
from simulator.edges.rfc2217_edge import Rfc2217Edge

Serve = Callable[..., ServedBench]


@pytest.fixture
def serve(describe: Callable[..., Any], tmp_path: Path) -> Iterator[Serve]:
    """Serve a demo bench at real pace in a folder of its own."""
    opened: list[ServedBench] = []

    def serve(name: str = "already-on", **options: Any) -> ServedBench:  # noqa: ANN401 # of ServedBench
        found = ServedBench(describe(name), tmp_path / "run", **options)
        opened.append(found)
        return found

    yield serve
    for found in opened:
        found.close()


def no_fuse(*_: object, **__: object) -> None:
    raise NoFuseError("there is no /dev/fuse")


def later(served: ServedBench, seconds: float) -> None:
    served.serve(for_s=seconds, stopped=lambda: False)


def test_without_fuse_the_header_files_are_a_plain_folder_that_works(
    serve: Serve, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(served_module, "HeaderFiles", no_fuse)
    served = serve()
    gpio = served.folder / "sys" / "class" / "gpio"
    (gpio / "export").write_text("84")
    later(served, 0.05)
    (gpio / "gpio84" / "direction").write_text("high")
    later(served, 0.05)

    assert served.without_fuse == "there is no /dev/fuse"
    assert served.bench.model.board.level_at("16") is True


def test_links_of_the_module_s_ports_are_cleared_at_first_and_others_are_left_alone(
    serve: Serve, tmp_path: Path
) -> None:
    dev = tmp_path / "run" / "dev"
    dev.mkdir(parents=True)
    (dev / "at").symlink_to("/dev/pts/9999")
    (dev / "ttyUSB9").symlink_to("/dev/pts/9998")
    (dev / "stale").symlink_to("ttyUSB9")
    (dev / "fd").symlink_to("/proc/self/fd")
    serve()

    names = sorted(path.name for path in dev.iterdir())
    numbered = ["ttyS1", *(f"ttyUSB{number}" for number in range(4))]
    assert names == ["at", "data", "diag", "fd", "nmea", *numbered, "uart"]
    assert str((dev / "at").readlink()) == "ttyUSB3"
    assert str((dev / "ttyUSB3").readlink()) != "/dev/pts/9999"


def test_some_ports_are_served_over_tcp_and_the_others_stay_ptys(serve: Serve) -> None:
    served = serve(rfc2217=Listening(), over_tcp=("uart",))
    names = sorted(path.name for path in (served.folder / "dev").iterdir())
    edge = served.bench.edges.by_role["uart"]
    at = served.bench.ports.open("at")
    at.write(b"AT\r")
    heard = at.read(timeout_s=1)

    assert names == ["at", "data", "diag", "nmea", *(f"ttyUSB{number}" for number in range(4))]
    assert isinstance(edge, Rfc2217Edge)
    assert b"AT" in heard
    with pytest.raises(PartMissingError, match="it is served at rfc2217:"):
        served.bench.ports.open("uart")


def test_clients_that_come_with_half_commands_and_vanish_do_no_harm(serve: Serve) -> None:
    served = serve()
    path = served.folder / "dev" / "at"
    before = len(list(Path("/proc/self/fd").iterdir()))
    for number in range(60):
        client = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
        os.write(
            client, (b"AT+CG", b"\x00\xff\xfe", b"AT" + b"x" * 3000, b'AT+CPIN="12', b"\r\r\r")[number % 5]
        )
        if number % 2:
            later(served, 0.002)
        os.close(client)
        later(served, 0.002)
    client = os.open(path, os.O_RDWR | os.O_NOCTTY | os.O_NONBLOCK)
    os.write(client, b"\r\rATE0\r")
    later(served, 0.05)
    os.close(client)
    later(served, 0.01)

    assert len(list(Path("/proc/self/fd").iterdir())) == before
    assert not served.bench.model.module.ports["at"].is_open
    assert served.bench.model.card.pin_tries == 3


def test_the_recording_is_whole_after_the_end(serve: Serve) -> None:
    served = serve()
    served.bench.note("suite/x", "note", text="last words")
    served.close()

    *_, note, charge = load(served.folder / "recording.jsonl")
    assert note.more == {"text": "last words"}
    assert charge.what == "charge"
