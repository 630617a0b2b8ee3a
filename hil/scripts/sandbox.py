"""What a script sees of the machine: the system read-only, the module's devices, and nothing else.

A command in, the command that runs it under bubblewrap out.  Inside, the script is user 0 without any
power over the machine; process numbers and host name are the sandbox's own, there is no network, and the
system is read-only.  Homes are hidden.  `/tmp`, `/var/tmp`, `/var/log`, `/run` and the home are empty and
writable, and gone afterwards.  `/sys` is the bench's; `/dev` holds the usual harmless devices and the
module's ports, which come and go.  The folder that the script runs in is seen, read-only.
"""

from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Final

from hil.errors import BenchUnfitError, MissingFileError, UsageError
from simulator.edges.fuse_mount import NoFuseError

if TYPE_CHECKING:
    import tempfile
    from collections.abc import Iterator, Mapping, Sequence

# The command's own process number inside: bubblewrap is 1.
FIRST_PID: Final = 2
_RANDOM_DEVICES: Final = ("random", "urandom")
_DEVICES: Final = ("null", "zero", *_RANDOM_DEVICES, "tty")
# What stands for the GPIO chip: programs tell chips by their device's number, so nothing else may be it.
_GPIO_DEVICE: Final = "/dev/full"
# The module's ports are ptys of the host's; what the script makes are ptys of its own, numbered from 0.
MODULE_PTYS: Final = "/dev/.module"
_OWN: Final = "/dev/.own"
_MADE: Final = ("/proc", "/dev", "/sys")
_EMPTY: Final = (
    "/home",
    "/root",
    "/tmp",  # noqa: S108 # hidden, not used
    "/var/tmp",  # noqa: S108 # likewise
    "/var/log",
    "/run",
    "/mnt",
    "/media",
    "/srv",
)
# Programs keep locks here; the first is where the second usually leads.
_LOCKS: Final = "/run/lock"
_NAMESPACES: Final = (
    *("--unshare-user", "--uid", "0", "--gid", "0"),
    *("--unshare-pid", "--unshare-net", "--unshare-ipc", "--unshare-uts", "--hostname", "station"),
    # Without this, whoever is user 0 outside could unmount inside what hides the homes.
    *("--cap-drop", "ALL"),
    "--die-with-parent",
)

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

# Settings of the kernel that keep users from making namespaces: file, value that forbids, cure.
_FORBIDDING: Final = (
    (
        "/proc/sys/kernel/apparmor_restrict_unprivileged_userns",
        "1",
        "set kernel.apparmor_restrict_unprivileged_userns=0 by sysctl, or give bwrap an AppArmor profile",
    ),
    ("/proc/sys/kernel/unprivileged_userns_clone", "0", "set kernel.unprivileged_userns_clone=1 by sysctl"),
    ("/proc/sys/user/max_user_namespaces", "0", "set user.max_user_namespaces above 0 by sysctl"),
)


def sandboxed(
    command: Sequence[str],
    *,
    dev: Path,
    sys: Path,
    folder: Path,
    environment: Mapping[str, str],
    status_fd: int | None = None,
    uptime: Path | None = None,
    scratch: Path | None = None,
    waits_fd: int | None = None,
    filter_fd: int | None = None,
    gpio_chip: str | None = None,
    kmsg: Path | None = None,
    random: Path | None = None,
) -> list[str]:
    """The whole command line that runs *command* in *folder* inside the sandbox.

    *dev* holds the links to the module's ports, *sys* is the made `/sys`.  Files that *command* names are
    seen wherever they are.  *uptime* stands for `/proc/uptime`, *kmsg* for `/dev/kmsg`, what is in *random*
    for the kernel's sources of chance; *scratch* holds `scratch_folders`, to be written to instead of what is
    hidden.  *gpio_chip* is the name of a chip whose device somebody answers for.  bubblewrap writes to
    *status_fd* how the command ended, reads a filter for it from *filter_fd*, and waits with it until
    *waits_fd* can be read.
    """
    empty = _empty_places()
    arguments = ["bwrap", *_NAMESPACES, "--ro-bind", "/", "/"]
    for place in empty:
        own = None if scratch is None else str(scratch / scratch_name(place))
        arguments += ["--tmpfs", str(place)] if own is None else ["--bind", own, str(place)]
    arguments += ["--dir", _LOCKS]
    # For bubblewrap, whoever is user 0 outside may write the kernel's settings inside; not here.
    arguments += ["--proc", "/proc", "--ro-bind", "/proc/sys", "/proc/sys"]
    if uptime is not None:
        arguments += ["--ro-bind", str(uptime), "/proc/uptime"]
    arguments += ["--bind", str(dev), "/dev", "--dev-bind", "/dev/pts", MODULE_PTYS]
    arguments += ["--dev", _OWN]
    arguments += _devices(kmsg=kmsg, random=random, gpio_chip=gpio_chip)
    arguments += ["--bind", str(sys), "/sys"]
    for place in _shown_places(command, folder, empty):
        arguments += ["--ro-bind", str(place), str(place)]
    arguments += ["--chdir", str(folder), "--clearenv"]
    for name, value in {**ENVIRONMENT, **environment}.items():
        arguments += ["--setenv", name, value]
    for option, descriptor in (
        ("--json-status-fd", status_fd),
        ("--block-fd", waits_fd),
        ("--seccomp", filter_fd),
    ):
        if descriptor is not None:
            arguments += [option, str(descriptor)]
    return [*arguments, "--", *command]


@contextlib.contextmanager
def mounts_are_demanded(folder: tempfile.TemporaryDirectory[str]) -> Iterator[None]:
    """Where there can be no mounts, *folder* goes, and BenchUnfitError is raised."""
    try:
        yield
    except NoFuseError as error:
        folder.cleanup()
        raise BenchUnfitError(
            part="header files", reason=str(error), cure="suites and `wakebench simulate` work without"
        ) from error


def outer_environment() -> dict[str, str]:
    """What bubblewrap itself is given: its first process can be looked at from inside."""
    return {"PATH": os.environ.get("PATH", os.defpath)}


def _devices(*, kmsg: Path | None, random: Path | None, gpio_chip: str | None) -> list[str]:
    arguments: list[str] = []
    for device in _DEVICES:
        if random is not None and device in _RANDOM_DEVICES:
            arguments += ["--bind", str(random / "urandom"), f"/dev/{device}"]
        elif Path("/dev", device).exists():
            arguments += ["--dev-bind", f"/dev/{device}", f"/dev/{device}"]
    if random is not None:
        arguments += ["--ro-bind", str(random / "uuid"), "/proc/sys/kernel/random/uuid"]
    if kmsg is not None:
        arguments += ["--bind", str(kmsg), "/dev/kmsg"]
    if gpio_chip is not None:
        arguments += ["--dev-bind", _GPIO_DEVICE, f"/dev/{gpio_chip}"]
    return arguments


def scratch_name(place: Path) -> str:
    """What stands for *place* is called so."""
    return str(place).strip("/").replace("/", "-")


def scratch_folders() -> list[tuple[str, int]]:
    """The folders that a script may write to, by name, each with its mode."""
    shared = ("/tmp", "/var/tmp")  # noqa: S108 # inside
    return [
        (f"/{scratch_name(place)}", 0o1777 if str(place) in shared else 0o755) for place in _empty_places()
    ]


def _empty_places() -> tuple[Path, ...]:
    """What is hidden: the usual places, and the caller's home wherever it is."""
    return _empty_places_with(Path.home())


@cache
def _empty_places_with(home: Path) -> tuple[Path, ...]:
    places, home = [Path(place) for place in _EMPTY], home.resolve()
    if home != Path("/") and not any(home.is_relative_to(place) for place in (*_EMPTY, *_MADE)):
        places.append(home)
    return tuple(place for place in places if place.is_dir() and not place.is_symlink())


def _shown_places(command: Sequence[str], folder: Path, empty: Sequence[Path]) -> list[Path]:
    """What has to be shown again: the folder, and the files that the command names.

    A place that holds what is hidden or made (`/`, `/tmp`, a home) is not shown as a whole: it would
    uncover the very things.  The first file named brings its folder with it where that may be, so
    that a script finds its parts.
    """
    shown: list[Path] = []
    if _may_be_shown(folder, empty):
        shown.append(folder)
    is_first = True
    for argument in command:
        path = Path(os.path.normpath(folder / argument))
        if not os.path.lexists(path) or not any(path.is_relative_to(place) for place in empty):
            continue
        if not any(path.is_relative_to(place) for place in shown):
            whole = path if path.is_dir() or not is_first else path.parent
            if _may_be_shown(whole, empty):
                shown.append(whole)
            elif path.is_file():
                shown.append(path)
        is_first = False
    return shown


def _may_be_shown(place: Path, empty: Sequence[Path]) -> bool:
    if any(hidden.is_relative_to(place) for hidden in (*empty, *map(Path, _MADE))):
        return False
    if place.is_relative_to("/dev/shm"):  # noqa: S108 # a build may well live there
        return place != Path("/dev/shm")  # noqa: S108 # likewise
    return not any(place.is_relative_to(made) for made in _MADE)


def prepare_dev(dev: Path, *, gpio_chip: str | None = None) -> None:
    """Make the places that devices are bound to, so that nothing has to be made through the mount."""
    dev.mkdir(parents=True, exist_ok=True)
    for folder in (MODULE_PTYS, _OWN, "/dev/shm"):  # noqa: S108 # inside
        (dev / Path(folder).name).mkdir(exist_ok=True)
    for device in (*_DEVICES, "kmsg", *([gpio_chip] if gpio_chip else [])):
        (dev / device).touch()
    for name, target in (
        ("fd", "/proc/self/fd"),
        ("stdin", "/proc/self/fd/0"),
        ("stdout", "/proc/self/fd/1"),
        ("stderr", "/proc/self/fd/2"),
        ("pts", f"{_OWN}/pts"),
        ("ptmx", f"{_OWN}/pts/ptmx"),
    ):
        link = dev / name
        if not link.is_symlink():
            link.symlink_to(target)


def working_folder() -> Path:
    """The folder that this process is in; raises MissingFileError where it has been removed."""
    try:
        return Path.cwd().resolve()
    except FileNotFoundError as error:
        raise MissingFileError(
            path=".", wanted="a folder to start in", reason="it has been removed"
        ) from error


def check_command(command: Sequence[str], *, folder: Path, environment: Mapping[str, str]) -> None:
    """Return where there is something to run; raises UsageError or MissingFileError.

    A mistyped name must not pass for a script that fails.
    """
    if not command or not command[0]:
        raise UsageError("command: found nothing; allowed: a program and its arguments, after --")
    for word in command:
        if "\0" in word:
            raise UsageError(f"command: found {word!r}; allowed: words without NUL")
    name = command[0]
    if "/" not in name:
        search = environment.get("PATH", ENVIRONMENT["PATH"])
        if shutil.which(name, path=search) is None:
            here = f"; here it is ./{name}" if (folder / name).is_file() else ""
            raise UsageError(f"command: found {name!r}; allowed: a path, or a program in {search}{here}")
        return
    path = folder / name
    if not path.exists():
        raise MissingFileError(path=name, wanted=f"a script or program (seen from {folder})")
    if not path.is_file() or not os.access(path, os.X_OK):
        raise UsageError(
            f"{name}: found {'a folder' if path.is_dir() else 'a file that is not executable'}; allowed: "
            f"an executable file (chmod +x), or an interpreter before it, such as: sh {name}"
        )


def probe() -> None:
    """Return where the sandbox works; raises BenchUnfitError with part, cure and what works without."""
    if shutil.which("bwrap") is None:
        raise BenchUnfitError(
            part="sandbox", reason="there is no bwrap", cure=f"install the package bubblewrap; {_STILL_WORKS}"
        )
    command = ["bwrap", *_NAMESPACES, "--ro-bind", "/", "/", "--proc", "/proc", "true"]
    result = subprocess.run(command, check=False, capture_output=True, text=True)
    if result.returncode != 0:
        said = (result.stderr.strip() or f"status {result.returncode}").splitlines()[-1]
        raise BenchUnfitError(
            part="sandbox", reason=f"bwrap cannot start ({said})", cure=f"{_cure(said)}; {_STILL_WORKS}"
        )


def _cure(said: str) -> str:
    if "mount proc" in said:
        return "in a container: allow it to mount /proc (its own is masked), or run outside of it"
    for file, forbids, cure in _FORBIDDING:
        if Path(file).is_file() and Path(file).read_text().strip() == forbids:
            return cure
    return "allow this user to make user, process and network namespaces"


def passed_on(names: Sequence[str]) -> dict[str, str]:
    """`NAME=VALUE` as given; `NAME` alone takes its value from the caller's environment, if it is there.

    Raises UsageError for what is neither.
    """
    environment: dict[str, str] = {}
    for text in names:
        name, has_value, value = text.partition("=")
        if not name or "\0" in text:
            raise UsageError(f"environment: found {text!r}; allowed: NAME=VALUE or NAME, without NUL")
        if has_value:
            environment[name] = value
        elif name in os.environ:
            environment[name] = os.environ[name]
    return environment
