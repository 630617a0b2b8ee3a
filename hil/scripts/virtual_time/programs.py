"""What a program finds when it begins: clocks that show the model's time, and random bytes from the seed.

The kernel maps code (vDSO) by which programs read clocks without a call, and tells them where (getauxval(3)).
Other code is put there (`clock_page`), or the address is taken away; either way they make calls.
"""

from __future__ import annotations

import struct
from array import array
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from .supervisor import Supervisor
    from .tasks import Process, Task

_AT_NULL, _AT_IGNORE, _AT_RANDOM, _AT_SYSINFO_EHDR = 0, 1, 25, 33
_WANTED: Final = (_AT_RANDOM, _AT_SYSINFO_EHDR)
_RANDOM_BYTES: Final = 16
_PAGE: Final = 4096


def begin_program(supervisor: Supervisor, task: Task) -> None:
    """The task has just become another program."""
    registers, process = supervisor.registers, task.process
    registers.load(task.tid)
    if registers.is_foreign:
        supervisor.notice(
            f"{task.name()} is a 32-bit program: its waits take wall time, and the run is not exact"
        )
        supervisor.spinning.has_followed = True
        return
    for place, kind, value in _auxiliary(process, registers.stack):
        if kind == _AT_SYSINFO_EHDR and not supervisor.clock_pages.begin(process, value):
            process.write(place, struct.pack("=Q", _AT_IGNORE))
        elif kind == _AT_RANDOM:
            process.write(value, supervisor.entropy.take(_RANDOM_BYTES))


def _auxiliary(process: Process, stack: int) -> list[tuple[int, int, int]]:
    """Address, kind and value of those entries of the auxiliary vector that matter here.

    It lies at the *stack*'s top.  Before it come the count, the arguments' addresses, an empty word, the
    environment's, an empty word.
    """
    size = _PAGE
    while True:
        data = process.read_some(stack, size)
        words = array("Q", data[: len(data) // 8 * 8])
        try:
            begin = words.index(0, 2 + words[0]) + 1
            end = next(place for place in range(begin, len(words), 2) if words[place] == _AT_NULL)
        except (ValueError, IndexError, StopIteration):
            if len(data) < size:
                return []
            size *= 8
            continue
        return [
            (stack + 8 * place, words[place], words[place + 1])
            for place in range(begin, end, 2)
            if words[place] in _WANTED
        ]
