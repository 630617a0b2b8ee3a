"""The host by its serial console, under pexpect."""

from __future__ import annotations

import os
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Final

import serial
from pydantic import Field

from .faults import unfit
from .host_shell import ShellHost, ShellOptions
from .table import need

if TYPE_CHECKING:
    from collections.abc import Collection

    from .contracts import DriverOptions

_LOGIN: Final = rb"ogin: ?$"
_PASSWORD: Final = rb"assword: ?$"


class ConsoleOptions(ShellOptions):
    """The console's device; *user* logs in where it asks, with the password that *password_env* names."""

    device: str
    baud: Annotated[int, Field(gt=0)] = 115200
    user: str = "root"
    password_env: str | None = None

    def resources(self) -> Collection[str]:
        """The console."""
        return [f"serial:{self.device}"]


class ConsoleHost(ShellHost):
    """A shell on a serial console, logged in where it asks."""

    Options: ClassVar[type[DriverOptions]] = ConsoleOptions

    def __init__(self, options: ConsoleOptions, part: str) -> None:
        need("pexpect", driver="console")
        from pexpect import fdpexpect

        opened: list[serial.Serial] = []
        self._opened = opened

        def spawn() -> Any:  # noqa: ANN401 # pexpect's own
            try:
                opened.append(serial.Serial(options.device, options.baud, exclusive=True))
            except OSError as error:
                raise unfit(part, options.device, error) from error
            # pexpect closes its descriptor itself.
            return fdpexpect.fdspawn(os.dup(opened[-1].fileno()), timeout=options.login_s)

        def log_in(child: Any) -> None:  # noqa: ANN401 # pexpect's own
            child.sendline("")
            patterns = [options.prompt.encode(), _LOGIN, _PASSWORD]
            while (found := child.expect(patterns)) != 0:
                password = os.environ.get(options.password_env or "", "")
                child.sendline(options.user if found == 1 else password)

        super().__init__(options, part, spawn=spawn, log_in=log_in)

    def close(self) -> None:
        """Leave, and let go of the device."""
        super().close()
        while self._opened:
            self._opened.pop().close()
