"""Handles of lines in a traced tree: each task makes its own socket, by calls that it does not know of."""

from __future__ import annotations

import errno
import os
import socket
import tempfile
from typing import TYPE_CHECKING

from hil.scripts.gpio_device.handles import LineHandles
from hil.scripts.linux import kernel

if TYPE_CHECKING:
    from collections.abc import Iterable

    from hil.scripts.gpio_device.handles import ChipHandle, LinesHandle
    from hil.scripts.linux.caller import Caller, Steps
    from simulator.edges.descriptors import Descriptors
    from simulator.host.gpio_chip import GpioChip

    from .tasks import Process, Tree


class MadeHandles(LineHandles):
    """Those of *tree*."""

    def __init__(self, chip: GpioChip, tree: Tree, descriptors: Descriptors) -> None:
        super().__init__(chip, descriptors)
        self._tree = tree
        self._listener: tuple[socket.socket, int] | None = None

    def give(
        self, task: Caller, handle: LinesHandle | ChipHandle, *, flags: int, instead_of: int | None = None
    ) -> Steps:
        """The task makes a socket, which is connected to one here."""
        own = flags if instead_of is None else flags & os.O_NONBLOCK
        made = yield "socket", (socket.AF_UNIX, socket.SOCK_STREAM | own, 0)
        if made < 0:
            return made
        is_ours = self._connect(task, made, handle)
        if is_ours and instead_of is None:
            return made
        if is_ours and instead_of is not None:
            yield "dup3", (made, instead_of, flags & os.O_CLOEXEC)
        yield "close", (made,)
        return instead_of if is_ours and instead_of is not None else -errno.ENODEV

    def take_back(self, task: Caller, handle: LinesHandle, descriptor: int) -> Steps:
        """The task closes it."""
        del task, handle
        return (yield "close", (descriptor,))

    def close(self) -> None:
        """Let go of everything."""
        super().close()
        if self._listener is not None:
            self._listener[0].close()
            os.close(self._listener[1])
            self._listener = None

    def _holders(self) -> Iterable[Process]:
        return self._tree.processes

    def _connect(self, task: Caller, descriptor: int, handle: LinesHandle | ChipHandle) -> bool:
        """The task's new socket *descriptor* is *handle* from now on; False where it cannot be had."""
        taken = kernel.borrow(task.process.pid, descriptor, thread=task.tid)
        if taken is None:
            return False
        with socket.socket(fileno=taken) as theirs:
            status = os.fstat(taken)
            listener, place = self._listening()
            theirs.connect(f"/proc/self/fd/{place}")
            ours, _ = listener.accept()
        self._adopt(ours, (status.st_dev, status.st_ino), handle)
        return True

    def _listening(self) -> tuple[socket.socket, int]:
        """A listening socket, and a descriptor of its name, which is nowhere to be seen."""
        if self._listener is None:
            listener = socket.socket(socket.AF_UNIX)
            with tempfile.TemporaryDirectory(prefix="wakebench-") as folder:
                listener.bind(f"{folder}/lines")
                listener.listen()
                self._listener = listener, os.open(f"{folder}/lines", os.O_PATH | os.O_CLOEXEC)
                os.unlink(f"{folder}/lines")
        return self._listener
