"""The host's shell: over ssh to a real server on loopback, and on a console with a real login and shell."""

from __future__ import annotations

import getpass
import os
import shutil
import socket
import subprocess
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from hil.bench.drivers.host_console import ConsoleHost, ConsoleOptions
from hil.bench.drivers.host_ssh import SshHost, SshOptions
from hil.errors import BenchUnfitError
from hil.testing import HostContract

pytestmark = pytest.mark.slow

PATH = f"{os.environ['PATH']}:/usr/sbin:/sbin"


class Server:
    """OpenSSH's own server on loopback, with keys of its own."""

    def __init__(self, folder: Path) -> None:
        program = shutil.which("sshd", path=PATH)
        assert program is not None, "install openssh-server (ci/setup does)"
        for name in ("host", "user"):
            command = ["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", str(folder / name)]
            subprocess.run(command, check=True)
        shutil.copy(folder / "user.pub", folder / "authorized")
        Path("/run/sshd").mkdir(exist_ok=True, mode=0o755) if os.getuid() == 0 else None
        with socket.create_server(("127.0.0.1", 0)) as probe:
            self.port = probe.getsockname()[1]
        settings = {
            "Port": self.port,
            "ListenAddress": "127.0.0.1",
            "HostKey": folder / "host",
            "AuthorizedKeysFile": folder / "authorized",
            "PidFile": folder / "pid",
            "StrictModes": "no",
            "UsePAM": "no",
            "PasswordAuthentication": "no",
            "PermitRootLogin": "yes",
        }
        (folder / "config").write_text("".join(f"{key} {value}\n" for key, value in settings.items()))
        self.process = subprocess.Popen(
            [program, "-D", "-e", "-f", str(folder / "config")], stderr=subprocess.DEVNULL
        )
        self.options = SshOptions(
            address=f"{getpass.getuser()}@127.0.0.1",
            port=self.port,
            options=(
                "-i",
                str(folder / "user"),
                "-o",
                "StrictHostKeyChecking=no",
                "-F",
                "none",
                "-o",
                f"UserKnownHostsFile={folder / 'known'}",
            ),
        )
        self._wait()

    def _wait(self) -> None:
        deadline = time.monotonic() + 10
        while time.monotonic() < deadline:
            try:
                socket.create_connection(("127.0.0.1", self.port), timeout=1).close()
            except OSError:
                time.sleep(0.02)
            else:
                return
        raise AssertionError("sshd does not listen")

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    found = Server(tmp_path_factory.mktemp("sshd"))
    yield found
    found.stop()


class TestSsh(HostContract):
    """OpenSSH's client and server."""

    @pytest.fixture
    def host(self, server: Server) -> Iterator[SshHost]:
        found = SshHost(server.options, "host")
        yield found
        found.close()

    @pytest.fixture
    def break_it(self, host: SshHost) -> Callable[[], None]:
        def break_it() -> None:
            host.run("kill -9 $PPID", timeout_s=5)

        def tolerant() -> None:
            with pytest.raises(BenchUnfitError):
                break_it()

        return tolerant

    def test_a_server_that_is_not_there_is_told(self, server: Server) -> None:
        with socket.create_server(("127.0.0.1", 0)) as probe:
            port = probe.getsockname()[1]

        with pytest.raises(BenchUnfitError, match="host: no shell .*look at cable, address and login"):
            SshHost(server.options.model_copy(update={"port": port}), "host")


LOGIN = """
printf 'gauge login: '; read user
printf 'Password: '; read password
[ "$user:$password" = "ashbeck:river" ] || { echo "Login incorrect"; exec sh "$0"; }
PS1='$ ' exec /bin/sh -i
"""


class Console:
    """A pty with a login and a shell behind it, by socat."""

    def __init__(self, folder: Path) -> None:
        (folder / "login.sh").write_text(LOGIN)
        self.device = folder / "console"
        ends = [f"PTY,link={self.device},raw,echo=0", f"EXEC:sh {folder / 'login.sh'},pty,setsid,ctty,stderr"]
        self.process = subprocess.Popen(["socat", *ends], stderr=subprocess.DEVNULL)  # noqa: S607 # any socat
        deadline = time.monotonic() + 10
        while not self.device.exists() and time.monotonic() < deadline:
            time.sleep(0.01)

    def stop(self) -> None:
        self.process.terminate()
        self.process.wait(10)


class TestConsole(HostContract):
    """A console that asks who is there."""

    @pytest.fixture
    def console(self, tmp_path: Path) -> Iterator[Console]:
        found = Console(tmp_path)
        yield found
        found.stop()

    @pytest.fixture
    def host(self, console: Console, monkeypatch: pytest.MonkeyPatch) -> Iterator[ConsoleHost]:
        monkeypatch.setenv("CONSOLE_PASSWORD", "river")
        variable = "CONSOLE_PASSWORD"
        options = ConsoleOptions(device=str(console.device), user="ashbeck", password_env=variable, login_s=5)
        found = ConsoleHost(options, "host")
        yield found
        found.close()

    @pytest.fixture
    def break_it(self, console: Console) -> Callable[[], None]:
        return console.stop

    def test_a_console_that_is_not_there_is_told(self, tmp_path: Path) -> None:
        with pytest.raises(BenchUnfitError, match="host: .*is not there; plug it in"):
            ConsoleHost(ConsoleOptions(device=str(tmp_path / "none")), "host")
