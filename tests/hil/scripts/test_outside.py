"""What a script attempts outside its sandbox fails, at either pace: files, network, signals, keys, kernel."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from hil.scripts.kept import KeptScripts
from hil.scripts.runner import run_script

Attempt = tuple[str, str]

# Each prints its name where it succeeds.  %(...)s are: a file and a key of the caller's, a process of the
# caller's, a port that listens on this machine.
ATTEMPTS = {
    "write to the system": "echo x >/etc/wakebench-was-here",
    "write to a program": "echo x >>/bin/sh",
    "write to the folder that it runs in": "echo x >here",
    "make a device": "mknod /tmp/sda b 8 0",
    "mount": "mount -t tmpfs none /mnt",
    "unmount what hides": "umount /root || umount /tmp",
    "read a key": "cat %(key)s",
    "read a key through its parent": "cat /proc/$PPID/root%(key)s",
    "list the caller's home": '[ -n "$(ls -A %(home)s)" ]',
    "read the caller's environment": "grep -z SECRET_OF_THE_CALLER /proc/*/environ",
    "signal a process outside": "kill -TERM %(pid)d",
    "see a process outside": "grep -q '1000[.]25' /proc/*/cmdline",
    "signal everybody": "kill -TERM -1; false",  # who is inside ignores it
    "connect to this machine": "python3 -c 'import socket; "
    'socket.create_connection(("127.0.0.1", %(port)d), 2)\'',
    "connect to another machine": "python3 -c 'import socket; "
    'socket.create_connection(("192.0.2.1", 80), 2)\'',
    "send a datagram": 'python3 -c \'import socket; socket.socket(2, 2).sendto(b"x", ("192.0.2.1", 9))\'',
    "reach an abstract socket": "python3 -c 'import socket; socket.socket(1).connect(\"\\0%(abstract)s\")'",
    "open a raw socket": "python3 -c 'import socket; socket.socket(2, 3, 1)'",
    "read the machine's memory": "head -c 1 /dev/mem",
    "read this machine's messages": "python3 -c 'import ctypes, sys; "
    "sys.exit(ctypes.CDLL(None).klogctl(3, ctypes.create_string_buffer(64), 64) < 0)'",
    "change a kernel setting": "echo 1 >/proc/sys/vm/drop_caches",
    "trigger the kernel": "echo h >/proc/sysrq-trigger",
    "set the machine's name": "hostname elsewhere",
    "open this machine's GPIO or disks": "ls /dev/sd* /dev/nvme* /dev/vd*",
    "reboot": "python3 -c 'import ctypes, sys; sys.exit(ctypes.CDLL(None).reboot(0) < 0)'",
}


@pytest.fixture
def script(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    """A script of all attempts; what it is after is there."""
    home = tmp_path / "home"
    (home / ".ssh").mkdir(parents=True)
    (home / ".ssh" / "id_ed25519").write_text("the key")
    (tmp_path / "file").write_text("kept")
    (tmp_path / "work").mkdir()
    monkeypatch.setenv("HOME", str(home))
    monkeypatch.setenv("SECRET_OF_THE_CALLER", "1")
    abstract = f"wakebench-test-{os.getpid()}"
    sleeper = subprocess.Popen(["sleep", "1000.25"])  # noqa: S607 # any sleep
    server, local = socket.create_server(("127.0.0.1", 0)), socket.socket(socket.AF_UNIX)
    local.bind(f"\0{abstract}")
    local.listen()
    reached: list[object] = []
    threading.Thread(target=_accept, args=(server, reached), daemon=True).start()
    values = {
        "file": tmp_path / "file",
        "key": home / ".ssh" / "id_ed25519",
        "home": home,
        "pid": sleeper.pid,
        "port": server.getsockname()[1],
        "abstract": abstract,
    }
    lines = [
        f"if ( {text % values} ) >/dev/null 2>&1; then echo {name!r}; fi" for name, text in ATTEMPTS.items()
    ]
    path = tmp_path / "work" / "script.sh"
    # What has the name of a file outside is one of the scratch folder's.
    path.write_text("\n".join(["trap '' TERM", *lines, f"echo x >{tmp_path}/file", "echo done"]))
    try:
        yield path
        assert sleeper.poll() is None
        assert (tmp_path / "file").read_text() == "kept"
        assert not (tmp_path / "work" / "here").exists()
        assert reached == []
    finally:
        sleeper.send_signal(signal.SIGKILL)
        sleeper.wait()
        server.close()
        local.close()


def _accept(server: socket.socket, reached: list[object]) -> None:
    try:
        reached.append(server.accept()[1])
    except OSError:  # closed at the end
        return


def test_nothing_outside_is_touched_at_virtual_pace(script: Path) -> None:
    with KeptScripts() as kept:
        result = kept.run(["sh", "script.sh"], bench="gauge-station", folder=script.parent)

    assert (result.status, result.stdout, result.stderr) == (0, b"done\n", b"")


@pytest.mark.slow
def test_nothing_outside_is_touched_at_real_pace(script: Path, describe: Callable[..., Any]) -> None:
    result = run_script(describe(), ["sh", "script.sh"], folder=script.parent)

    assert (result.status, result.stdout, result.stderr) == (0, b"done\n", b"")
