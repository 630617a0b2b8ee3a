"""A shell at the end of a pexpect object: command lines in, their status and output out."""

from __future__ import annotations

import base64
import contextlib
import secrets
import shlex
import time
from typing import TYPE_CHECKING, Annotated, Any, Final

from pydantic import Field

from hil.errors import BenchUnfitError
from simulator.kernel.section import Positive

from .contracts import DriverOptions, HostDriver, Ran
from .table import need

if TYPE_CHECKING:
    from collections.abc import Callable

# Lines of a file on its way: well below what a terminal takes in one line (4096, termios(3)).
_LINE: Final = 512
_LONGEST_OUTPUT: Final = 1_000_000


class ShellOptions(DriverOptions):
    """What every host has.  *reboot* is the command that boots it, *boot_s* how long that may take."""

    prompt: Annotated[str, Field(min_length=1)] = r"[#$] ?$"
    login_s: Positive = 15.0
    reboot: str = "reboot"
    boot_s: Positive = 120.0


class ShellHost(HostDriver):
    """A shell.  *spawn* gives a new pexpect object that leads to one, *log_in* sees it to a prompt."""

    def __init__(
        self, options: ShellOptions, part: str, *, spawn: Callable[[], Any], log_in: Callable[[Any], None]
    ) -> None:
        self._options, self._part = options, part
        self._pexpect: Any = need("pexpect", driver="host")
        self._spawn, self._log_in = spawn, log_in
        self._child: Any = None
        self._token = f"wakebench-{secrets.token_hex(8)}"
        self._connect()

    def run(self, command: str, *, timeout_s: float) -> Ran:
        """Run a command line and wait for its end."""
        self._send(f'{{ {command}\n}}; printf \'\\n%s:%d:\\n\' "$__end" "$?"')
        return Ran(*self._until_end(timeout_s, command))

    def put(self, data: bytes, path: str, *, mode: int = 0o755) -> None:
        """Write a file there, as lines of base64 that any terminal carries."""
        text = base64.b64encode(data).decode()
        quoted = shlex.quote(path)
        lines = [text[start : start + _LINE] for start in range(0, len(text), _LINE)]
        body = "\n".join(["base64 -d > " + quoted + " <<'END_OF_FILE'", *lines, "END_OF_FILE"])
        done = self.run(f"{body}\nchmod {mode:o} {quoted}", timeout_s=30.0 + len(text) / 1000)
        if done.status:
            said = done.output.decode("utf-8", "replace").strip()
            raise self._unfit(f"{path} cannot be written there ({said})", "make room there")

    def reboot(self) -> None:
        """Boot, and return once there is a shell again."""
        with contextlib.suppress(OSError, self._pexpect.ExceptionPexpect):
            self._child.sendline(self._options.reboot)
            self._child.expect(self._pexpect.EOF, timeout=5)
        self._connect(within_s=self._options.boot_s)

    def check(self) -> str:
        """What system it is."""
        return self.run("uname -sr", timeout_s=10).output.decode("utf-8", "replace").strip()

    def close(self) -> None:
        """Leave."""
        if self._child is not None:
            with contextlib.suppress(OSError, self._pexpect.ExceptionPexpect):
                self._child.close()
            self._child = None

    def _connect(self, *, within_s: float | None = None) -> None:
        deadline = time.monotonic() + (within_s or 0.0)
        while True:
            self.close()
            try:
                self._child = self._spawn()
                self._log_in(self._child)
                self._prepare()
            except BenchUnfitError:
                raise
            except (OSError, self._pexpect.ExceptionPexpect) as error:
                if time.monotonic() > deadline:
                    self.close()
                    reason = f"no shell ({_last_words(error)})"
                    raise self._unfit(reason, "look at cable, address and login") from error
                time.sleep(1.0)
            else:
                return

    def _prepare(self) -> None:
        """No echo, no prompts: only output comes back."""
        self._child.delaybeforesend = None
        self._send(f"stty -echo; PS1=; PS2=; unset PROMPT_COMMAND; __end={self._token}")
        self._send("printf '\\n%s:%d:\\n' \"$__end\" 0")
        self._until_end(self._options.login_s, "the first command")

    def _send(self, text: str) -> None:
        try:
            for line in text.split("\n"):
                self._child.sendline(line)
        except OSError as error:
            raise self._unfit(f"the connection is gone ({error})", "connect it again") from error

    def _until_end(self, timeout_s: float, command: str) -> tuple[int, bytes]:
        pexpect = self._pexpect
        end = rb"\r?\n" + self._token.encode() + rb":(\d+):\r?\n"
        found = self._child.expect([end, pexpect.TIMEOUT, pexpect.EOF], timeout=timeout_s)
        if found == 1:
            raise self._unfit(f"no end of {command[:60]!r} in {timeout_s:g} s", "look at its screen")
        if found != 0:
            raise self._unfit(f"the connection ended during {command[:60]!r}", "connect it again")
        output = bytes(self._child.before).replace(b"\r\n", b"\n").lstrip(b"\n")
        return int(self._child.match[1]), output[-_LONGEST_OUTPUT:]

    def _unfit(self, reason: str, cure: str) -> BenchUnfitError:
        return BenchUnfitError(part=self._part, reason=reason, cure=cure)


def _last_words(error: BaseException) -> str:
    return type(error).__name__ if not str(error) else str(error).splitlines()[0][:80]
