"""A simulated bench served to other programs: device links, header files, recording, in one folder.

At real pace or a factor, or at virtual pace for whoever moves time; the folder holds links to the ptys, such
as `dev/ttyUSB3` and `dev/at` (present only while the module presents the port), `sys` with the GPIO lines and
the USB devices, and `recording.jsonl`.
"""

from __future__ import annotations

import subprocess
from typing import TYPE_CHECKING, Any, Final

from hil.errors import UsageError
from hil.recording.store import RecordingFile
from simulator.edges.calls import Calls
from simulator.edges.fuse_mount import NoFuseError
from simulator.edges.gpio_tree import gpio_tree
from simulator.edges.header_files import HeaderFiles
from simulator.edges.header_folder import HeaderFolder
from simulator.edges.host_trees import sys_tree
from simulator.edges.port_edges import MixedEdges, PtyEdges
from simulator.kernel.timeline import ns

from .simulated.bench import SimulatedBench

if TYPE_CHECKING:
    from collections.abc import Callable, Collection, Mapping
    from pathlib import Path

    from hil.recording.query import Recording
    from simulator.edges.host_mounts import HostMounts
    from simulator.edges.listening import Listening
    from simulator.edges.sysfs import SysTree
    from simulator.module.port import Port

    from .files import BenchDescription


PTYS: Final = "/dev/pts"


class PortLinks:
    """A link in *folder* for each port that is there, named as the host names the port.

    *ptys* is the folder in which whoever follows the links sees the ptys.  *aliases* gives further names
    (paths below the folder) that lead to a port's own link.
    """

    def __init__(
        self,
        folder: Path,
        edges: PtyEdges,
        *,
        aliases: Callable[[Port], list[str]],
        ptys: str = PTYS,
    ) -> None:
        self._folder, self._edges, self._ptys, self._aliases = folder, edges, ptys, aliases
        self._links: dict[str, list[Path]] = {}
        folder.mkdir(parents=True, exist_ok=True)
        for edge in edges.by_role.values():
            port = edge.port
            port.appeared.listen(lambda _, port=port: self._appear(port))  # type: ignore[misc] # a default captures
            port.vanished.listen(lambda _, port=port: self._vanish(port))  # type: ignore[misc] # a default captures
            if port.is_present:
                self._appear(port)

    def remove(self) -> None:
        """Take all links away."""
        for edge in self._edges.by_role.values():
            self._vanish(edge.port)

    def _appear(self, port: Port) -> None:
        path = self._edges.by_role[port.role].path
        if path is None:
            return
        self._vanish(port)
        links = self._links[port.role] = [self._folder / port.node]
        links[0].unlink(missing_ok=True)
        links[0].symlink_to(path.replace(PTYS, self._ptys))
        for alias in self._aliases(port):
            link = self._folder / alias
            link.parent.mkdir(parents=True, exist_ok=True)
            link.unlink(missing_ok=True)
            link.symlink_to("../" * alias.count("/") + port.node)
            links.append(link)

    def _vanish(self, port: Port) -> None:
        for link in self._links.pop(port.role, ()):
            link.unlink(missing_ok=True)


def _listening(
    description: BenchDescription,
    *,
    factor: float | None,
    rfc2217: Listening | None,
    over_tcp: Collection[str],
    pinned: Mapping[str, Any] | None,
) -> SimulatedBench:
    try:
        return SimulatedBench(
            description, factor=factor, ports=rfc2217 or "pty", over_tcp=over_tcp, pinned=pinned
        )
    except (OSError, OverflowError) as error:
        if rfc2217 is None:
            raise
        raise UsageError(
            f"rfc2217: {rfc2217.address}:{rfc2217.number} cannot be had ({error}); allowed: an address of "
            "this machine, and a first number with as many free ones after it as there are ports, or 0 for "
            "any that are free"
        ) from error


class ServedBench:
    """A simulated bench and its folder.  `without_fuse` says why the header files are a plain folder.

    *ptys* is where whoever follows the links sees the host's ptys.  The made `/sys` is `sys` in the folder,
    or shown in *mounts* of the caller's once `show` is called.

    With *rfc2217* the ports listen for clients there instead of being ptys, or those *over_tcp* alone.
    Raises UsageError where that address cannot be had.
    """

    def __init__(
        self,
        description: BenchDescription,
        folder: Path,
        *,
        factor: float | None = 1.0,
        keep_events: bool = False,
        pinned: Mapping[str, Any] | None = None,
        rfc2217: Listening | None = None,
        over_tcp: Collection[str] = (),
        mounts: HostMounts | None = None,
        ptys: str = PTYS,
    ) -> None:
        self.folder = folder
        self.without_fuse: str | None = None
        self._files: HeaderFiles | HeaderFolder | None = None
        self._prepare()
        self.bench = _listening(description, factor=factor, rfc2217=rfc2217, over_tcp=over_tcp, pinned=pinned)
        self.driver = self.bench.driver
        self._file = RecordingFile(folder / "recording.jsonl", self.bench.recording.head)
        self._keep = keep_events
        self._kept: Recording = self.bench.recording
        self._is_complete = False
        self._file.add(self._kept)
        self.driver.on_events = self._write
        edges = self.bench.edges
        if isinstance(edges, MixedEdges):
            edges = edges.ptys
        self.links = (
            PortLinks(
                folder / "dev",
                edges,
                ptys=ptys,
                aliases=self._serial_names if ptys != PTYS else lambda port: [port.role],
            )
            if isinstance(edges, PtyEdges)
            else None
        )
        self.calls = Calls()
        self.driver.descriptors.add_reader(self.calls.fileno(), self.calls.process)
        self._mounts, self._tree = mounts, sys_tree(self.bench.model)
        if mounts is None:
            self._files = self._header_files(self._tree)
        self.driver.start_clock()

    def _serial_names(self, port: Port) -> list[str]:
        return [f"serial/{name}" for name in self.bench.model.usb_bus.link_names(port)]

    def show(self) -> None:
        """From now on the caller's mounts show what is in this bench, which answers while it is served."""
        assert self._mounts is not None  # noqa: S101 # only those who gave them call
        model = self.bench.model
        timeline = model.timeline
        self._mounts.show(
            self._tree,
            log=model.kernel_log,
            now_ns=lambda: timeline.now_ns,
            random_bytes=model.randomness.stream("host/random").randbytes,
            calls=self.calls,
        )

    def _header_files(self, sys: SysTree) -> HeaderFiles | HeaderFolder:
        folder = self.folder / "sys"
        try:
            # The mount is asked about while nobody serves yet, so its thread answers by itself.
            return HeaderFiles(sys, folder, run=self.calls.run)
        except NoFuseError as error:
            self.without_fuse = str(error)
            lines = gpio_tree(self.bench.model.board.lines)
            plain = HeaderFolder(lines, folder, recorder=self.bench.model.recorder)
            self.driver.descriptors.add_reader(plain.fileno(), plain.process)
            return plain

    def serve(self, *, for_s: float | None, stopped: Callable[[], bool]) -> None:
        """Serve until *stopped*, or for *for_s* seconds of the bench's time."""
        until_ns = None if for_s is None else self.driver.model.timeline.now_ns + ns(for_s)
        self.driver.wait(until_ns, stopped)

    @property
    def recording(self) -> Recording:
        """All events, where they are kept; else the head alone."""
        self._write()
        return self._kept

    def complete(self) -> None:
        """Nothing more happens: the recording is whole, all else still there; harmless when called again."""
        if not self._is_complete:
            self._is_complete = True
            self.bench.model.end()
            self._write()
            self._file.close()

    def close(self) -> None:
        """Stop in good order: links and mount go, the recording is whole; harmless when called again."""
        if self.bench.is_closed:
            return
        if hasattr(self, "calls"):
            self.driver.descriptors.remove_reader(self.calls.fileno())
            self.calls.close()
        if self._files is not None:
            self._files.close()
        if self.links is not None:
            self.links.remove()
        self.complete()
        self.bench.close()

    def _write(self) -> None:
        recorder = self.bench.model.recorder
        if not self._keep:
            self._file.add_lines(recorder.take_lines())
            return
        events = recorder.take()
        self._file.add(events)
        self._kept.extend(events)

    def _prepare(self) -> None:
        """The folder, without what an earlier server that was killed has left."""
        self.folder.mkdir(parents=True, exist_ok=True)
        mount = self.folder / "sys"
        try:
            mount.stat()
        except FileNotFoundError:
            pass
        except OSError:  # a mount whose server is gone
            subprocess.run(
                ["fusermount3", "-u", "-z", str(mount)],  # noqa: S607 # wherever the system has it
                check=False,
                capture_output=True,
            )
        dev = self.folder / "dev"
        links = [path for path in dev.iterdir() if path.is_symlink()] if dev.is_dir() else []
        for link in links:
            target = str(link.readlink())
            if target.startswith("/dev/pts/") or "/" not in target:
                link.unlink()
