"""The file systems that a script sees of its host, mounted before there is a model; trees and a clock later.

Up to three mounts, each with a thread of its own: what asks the model, below one folder, and the kernel's
messages; scratch folders.
"""

from __future__ import annotations

from contextlib import ExitStack, closing
from typing import TYPE_CHECKING, TypeVar

from .header_files import HeaderFiles
from .host_trees import HostTrees, proc_tree, random_tree
from .kmsg_file import KmsgFile
from .scratch_files import ScratchFiles
from .sysfs import SysTree, fixed

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from pathlib import Path

    from simulator.host.kernel_log import KernelLog

    from .calls import Calls
    from .header_files import Tree

T = TypeVar("T")


class HostMounts:
    """`sys`, `uptime`, `kmsg`, `random` and `scratch` below *folder*, until closed; raises NoFuseError.

    *scratch_folders* (path and mode) are made at *start_ns* of the wall clock, where there are to be any;
    `sys` is empty before `show`.  *uptime_ns* gives the host's uptime at an instant of the model's time.
    """

    def __init__(
        self,
        folder: Path,
        *,
        uptime_ns: Callable[[int], int],
        scratch_folders: Sequence[tuple[str, int]] = (),
        start_ns: int = 0,
    ) -> None:
        mount = folder / "host"
        self._uptime_ns = uptime_ns
        self.sys, self.uptime, self.scratch = mount / "sys", mount / "proc" / "uptime", folder / "scratch"
        self.kmsg, self.random = folder / "kmsg", mount / "random"
        self._calls: Calls | None = None
        self._trees = HostTrees(
            {"sys": SysTree(fixed()), "proc": proc_tree(lambda: 0), "random": random_tree(bytes)}
        )
        self._scratch: ScratchFiles | None = None
        with ExitStack() as mounted:
            self._files = mounted.enter_context(closing(HeaderFiles(self._trees, mount, run=self._run)))
            self._kmsg = mounted.enter_context(closing(KmsgFile(self.kmsg, run=self._run)))
            if scratch_folders:
                scratch = ScratchFiles(self.scratch, now_ns=lambda: start_ns, folders=scratch_folders)
                self._scratch = mounted.enter_context(closing(scratch))
            self._mounted = mounted.pop_all()

    def show(
        self,
        sys: Tree,
        *,
        log: KernelLog,
        now_ns: Callable[[], int],
        random_bytes: Callable[[int], bytes],
        calls: Calls,
    ) -> None:
        """From now on *sys* and *log* are seen, asked through *calls*; *now_ns* is the model's time.

        What is in `random` gives what *random_bytes* gives.
        """
        log.uptime_ns = self._uptime_ns
        proc = proc_tree(lambda: self._uptime_ns(now_ns()))
        self._trees.put({"sys": sys, "proc": proc, "random": random_tree(random_bytes)})
        self._kmsg.show(log)
        self._calls = calls

    def show_times_by(self, wall_ns: Callable[[], int]) -> None:
        """From now on what is written to the scratch folders has the times of that clock."""
        if self._scratch is not None:
            self._scratch.operations.now_ns = wall_ns

    @property
    def asking(self) -> list[tuple[int, int]]:
        """Threads that answer the kernel by asking the model, each with the descriptor on which it waits."""
        servants = (self._files.servant, self._kmsg.servant)
        return [servant for servant in servants if servant is not None]

    @property
    def answering(self) -> list[tuple[int, int]]:
        """Those that answer by themselves."""
        return [] if self._scratch is None or self._scratch.servant is None else [self._scratch.servant]

    def close(self) -> None:
        """Unmount; harmless when called again."""
        self._mounted.close()

    def _run(self, call: Callable[[], T]) -> T:
        """Until there is a model, the mount's thread answers by itself."""
        return call() if self._calls is None else self._calls.run(call)
