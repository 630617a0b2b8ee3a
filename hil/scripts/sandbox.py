"""What a script sees of the machine: the system read-only, the module's devices, and nothing else.

A command in, the command that runs it under bubblewrap out.  The sandbox has its own process
numbers and no network; homes are hidden; `/tmp` and the home are empty and writable; `/sys` is the
bench's, `/dev` holds the usual harmless devices and the module's ports, which come and go.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hil.errors import BenchUnfitError

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

# The command's own process number inside: bubblewrap is 1.
FIRST_PID: Final = 2
_DEVICES: Final = ("null", "zero", "full", "random", "urandom", "tty", "ptmx")
_HIDDEN: Final = ("/home", "/root", "/tmp", "/var/tmp", "/run", "/mnt", "/media", "/srv")  # noqa: S108 # hidden, not used

# What a script finds in its environment, beside what the caller adds.
ENVIRONMENT: Final[Mapping[str, str]] = {
    "HOME": "/root",
    "LANG": "C.UTF-8",
    "LC_ALL": "C.UTF-8",
    "PATH": "/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin",
    "PYTHONHASHSEED": "0",
    "TERM": "dumb",
    "TZ": "UTC",
}
_STILL_WORKS: Final = "suites (`wakebench test`) and `wakebench simulate` work without it"


def sandboxed(
    command: Sequence[str], *, dev: Path, sys: Path, folder: Path, environment: Mapping[str, str]
) -> list[str]:
    """The whole command line that runs *command* in *folder* (seen read-only) inside the sandbox.

    *dev* holds the links to the module's ports, *sys* is the made `/sys`.
    """
    places = [folder]
    script = (folder / command[0]).resolve()
    if "/" in command[0] and not script.is_relative_to(folder):
        places.append(script.parent)
    arguments = ["bwrap", "--unshare-user", "--uid", "0", "--gid", "0", "--unshare-pid", "--unshare-net"]
    arguments += ["--unshare-ipc", "--unshare-uts", "--die-with-parent", "--hostname", "station"]
    arguments += ["--ro-bind", "/", "/"]
    for hidden in _HIDDEN:
        if Path(hidden).is_dir() and not Path(hidden).is_symlink():
            arguments += ["--tmpfs", hidden]
    arguments += ["--proc", "/proc", "--bind", str(dev), "/dev", "--dev-bind", "/dev/pts", "/dev/pts"]
    for device in _DEVICES:
        if Path("/dev", device).exists():
            arguments += ["--dev-bind", f"/dev/{device}", f"/dev/{device}"]
    arguments += ["--bind", str(sys), "/sys"]
    for place in places:
        arguments += ["--ro-bind", str(place), str(place)]
    arguments += ["--chdir", str(folder), "--clearenv"]
    for name, value in {**ENVIRONMENT, **environment}.items():
        arguments += ["--setenv", name, value]
    return [*arguments, "--", *command]


def prepare_dev(dev: Path) -> None:
    """Make the places that devices are bound to, so that nothing has to be made through the mount."""
    dev.mkdir(parents=True, exist_ok=True)
    (dev / "pts").mkdir(exist_ok=True)
    (dev / "shm").mkdir(exist_ok=True)
    for device in _DEVICES:
        (dev / device).touch()
    for name, target in (("fd", "fd"), ("stdin", "fd/0"), ("stdout", "fd/1"), ("stderr", "fd/2")):
        link = dev / name
        if not link.is_symlink():
            link.symlink_to(f"/proc/self/{target}")


def probe() -> None:
    """Return where the sandbox works; raises BenchUnfitError with part, cure and what works without."""
    if shutil.which("bwrap") is None:
        raise BenchUnfitError(
            part="sandbox", reason="there is no bwrap", cure=f"install the package bubblewrap; {_STILL_WORKS}"
        )
    command = ["bwrap", "--unshare-user", "--unshare-pid", "--ro-bind", "/", "/", "--proc", "/proc", "true"]
    result = subprocess.run(command, check=False, capture_output=True, text=True)
    if result.returncode != 0:
        raise BenchUnfitError(
            part="sandbox",
            reason=f"bwrap cannot make namespaces ({result.stderr.strip() or result.returncode})",
            cure=f"allow unprivileged user namespaces for this user; {_STILL_WORKS}",
        )


def passed_on(names: Sequence[str]) -> dict[str, str]:
    """`NAME=VALUE` as given; `NAME` alone takes its value from the caller's environment, if it is there."""
    environment: dict[str, str] = {}
    for text in names:
        name, has_value, value = text.partition("=")
        if has_value:
            environment[name] = value
        elif name in os.environ:
            environment[name] = os.environ[name]
    return environment
