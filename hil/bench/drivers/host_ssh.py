"""The host by ssh: the system's own client, under pexpect.  Keys only: a password has no place in a file."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any, ClassVar

from pydantic import Field

from simulator.kernel.section import Several

from .host_shell import ShellHost, ShellOptions
from .table import need

if TYPE_CHECKING:
    from collections.abc import Collection

    from .contracts import DriverOptions


class SshOptions(ShellOptions):
    """Whom to reach; *options* go to ssh as they are."""

    address: Annotated[str, Field(pattern=r"^[^-\s][^\s]*$")]
    port: Annotated[int, Field(ge=1, le=65535)] = 22
    options: Several[str] = ()

    def resources(self) -> Collection[str]:
        """The host."""
        return [f"host:{self.address}:{self.port}"]


class SshHost(ShellHost):
    """A login shell over ssh."""

    Options: ClassVar[type[DriverOptions]] = SshOptions

    def __init__(self, options: SshOptions, part: str) -> None:
        pexpect: Any = need("pexpect", driver="ssh")
        command = ["-tt", "-p", str(options.port), "-o", "BatchMode=yes", "-o", "ConnectTimeout=10"]
        command += [*options.options, options.address, "exec /bin/sh -i"]

        def spawn() -> Any:  # noqa: ANN401 # pexpect's own
            return pexpect.spawn("ssh", command, timeout=options.login_s, echo=False)

        def log_in(child: Any) -> None:  # noqa: ANN401 # pexpect's own
            child.expect(options.prompt.encode())

        super().__init__(options, part, spawn=spawn, log_in=log_in)
