"""The model's time in a page of each program that often reads clocks: so many reads that make no call.

The kernel maps functions into every program that read its clocks without a call (vdso(7)).  In their place a
program of the tree finds ours, which make the call that stops for the supervisor; a program that makes many
gets a page to read from instead.  Time stands still while anybody runs, so what is in the page is exact.
Reads from it are counted down by the program itself, so that one that only waits for the clock is still seen.
"""

from __future__ import annotations

import ctypes
import struct
from functools import cache
from typing import TYPE_CHECKING, Final

from hil.scripts.linux.kernel import GoneError

if TYPE_CHECKING:
    from types import ModuleType

    from .calls.handlers import Answer, Arguments
    from .supervisor import Supervisor
    from .tasks import Process, Task

_AT_SYSINFO_EHDR: Final = 33
# A program that reads clocks as often as this gets a page.
_READS: Final = 10
# How many reads are free, for each process, until it is asked again; a part of what is free (see `spinning`).
BUDGET: Final = 500

# Where the page says how many reads are left.
_LEFT_AT: Final = 16
_WORDS: Final = struct.Struct("=qqq")
# mmap(2): a page to read and write, this process's own.
_PAGE: Final = 4096
_NEW_PAGE: Final = (0, _PAGE, 0x1 | 0x2, 0x02 | 0x20, -1, 0)

# ELF (elf(5)): what is used of the headers, of the dynamic section and of a symbol.
_DYNAMIC, _LOAD, _STRINGS, _SYMBOLS, _HASH = 2, 1, 5, 6, 4


class _Vdso:
    """This process's own vDSO, which is what every program gets: the functions in it."""

    def __init__(self, address: int) -> None:
        self.address = address
        dynamic = 0
        (heads_at,), (size, count) = self._unpack("Q", 32), self._unpack("HH", 54)
        for number in range(count):
            kind, _, offset, place, _, _, length, _ = self._unpack("IIQQQQQQ", heads_at + number * size)
            if kind == _LOAD and offset == 0:
                self.size, base = length, place
            elif kind == _DYNAMIC:
                dynamic = offset
        tables = {}
        while (entry := self._unpack("QQ", dynamic))[0]:
            tables[entry[0]] = entry[1] - base
            dynamic += 16
        self.functions: dict[str, tuple[int, int]] = {}
        _, symbols = self._unpack("II", tables[_HASH])
        for number in range(symbols):
            name, _, _, section, value, length = self._unpack("IBBHQQ", tables[_SYMBOLS] + 24 * number)
            if section and length:
                text = ctypes.string_at(address + tables[_STRINGS] + name).decode("ascii")
                self.functions[text] = value - base, length

    def _unpack(self, layout: str, at: int) -> tuple[int, ...]:
        layout = "=" + layout
        return struct.unpack(layout, ctypes.string_at(self.address + at, struct.calcsize(layout)))


class Patch:
    """What is written into a program's vDSO: *data* at *offset*; the page's address goes to *slot*."""

    def __init__(self, vdso: _Vdso, code: ModuleType) -> None:
        """Raises ValueError where there is no room for it."""
        found = {name: vdso.functions[name] for name in code.ENTRIES if name in vdso.functions}
        # Its place is behind the jump that stands where the first function with enough room begins.
        room = 8 + len(code.CODE)
        homes = [place for place, length in found.values() if length >= room and place % 8 == 0]
        if not homes:
            raise ValueError(f"no function of the vDSO has {room} bytes")
        own = min(homes) + 8
        self.offset = min(place for place, _ in found.values())
        end = max(max(place for place, _ in found.values()) + 8, own + len(code.CODE))
        data = bytearray(ctypes.string_at(vdso.address + self.offset, end - self.offset))
        for name, (place, _) in found.items():
            jump = code.jump(own + code.ENTRIES[name] - place)
            data[place - self.offset : place - self.offset + len(jump)] = jump
        data[own - self.offset : own - self.offset + len(code.CODE)] = code.CODE
        self.data, self.slot = bytes(data), own + code.SLOT


@cache
def _patch(code: ModuleType | None) -> Patch | None:
    """The patch for this machine; None where there is no code for it or no room."""
    if code is None:
        return None
    getauxval = ctypes.CDLL(None).getauxval
    getauxval.restype, getauxval.argtypes = ctypes.c_ulong, [ctypes.c_ulong]
    address = getauxval(_AT_SYSINFO_EHDR)
    if not address:
        return None
    try:
        return Patch(_Vdso(address), code)
    except (ValueError, KeyError, UnboundLocalError):
        return None


class ClockPages:
    """The pages of one tree."""

    def __init__(self, supervisor: Supervisor) -> None:
        self._supervisor = supervisor
        self._patch = _patch(supervisor.machine.CLOCK)

    def begin(self, process: Process, vdso: int) -> bool:
        """Put our functions into the *vdso* of a program that begins; False where that is not to be."""
        process.clock_reads = process.clock_page = process.vdso = 0
        if self._patch is None:
            return False
        try:
            process.write(vdso + self._patch.offset, self._patch.data)
        except GoneError:
            return False
        process.vdso = vdso
        return True

    def inherit(self, process: Process, parent: Process) -> None:
        """A new process has its parent's memory."""
        process.vdso, process.clock_page = parent.vdso, parent.clock_page
        if process.clock_page:
            self._write(process, 0)

    def count(self, task: Task) -> None:
        """A clock is read by a call: that counts, and so do the reads before it that needed none."""
        spinning, process = self._supervisor.spinning, task.process
        if process.clock_page:
            (left,) = struct.unpack("=q", process.read(process.clock_page + _LEFT_AT, 8))
            if left < 0:
                spinning.add(process.clock_budget)
                self._write(process, 0)
        spinning.look()
        process.clock_reads += 1

    def offer(self, task: Task, arguments: Arguments, result: int) -> Answer:
        """The answer *result*; a program that reads clocks often gets its page at that."""
        process = task.process
        if process.clock_reads != _READS or not process.vdso or process.clock_page:
            return result
        if task.vfork_parent is not None:
            return result  # the memory is its parent's, who would not know of the page

        def finish(address: int) -> int:
            self._install(process, address)
            return result

        return self._supervisor.calls.call_then(task, arguments, finish, instead=("mmap", _NEW_PAGE))

    def _install(self, process: Process, address: int) -> None:
        if address > 0 and self._patch is not None:
            process.clock_page = address
            self._write(process, 0)
            process.write(process.vdso + self._patch.slot, struct.pack("=Q", address))

    def show(self, at_ns: int) -> None:
        """It is about to be *at_ns*, or the wall clock has been set: all pages tell so."""
        in_ns = at_ns - self._supervisor.world.now_ns
        for process in self._supervisor.tree.processes:
            if process.clock_page:
                try:
                    self._write(process, in_ns)
                except GoneError:
                    continue

    def _write(self, process: Process, in_ns: int) -> None:
        world = self._supervisor.world
        process.clock_budget = self._supervisor.spinning.free(BUDGET)
        words = (world.monotonic_ns + in_ns, world.wall_ns + in_ns, process.clock_budget)
        process.write(process.clock_page, _WORDS.pack(*words))
