"""What a program finds when it begins: no clock page, and random bytes from the seed.

The kernel maps a page of code (vDSO) by which programs read clocks without a call; its address is taken out
of what the kernel tells the program (getauxval(3)), so that it makes calls.
"""

from __future__ import annotations

import struct
from typing import TYPE_CHECKING, Final

if TYPE_CHECKING:
    from .supervisor import Supervisor
    from .tasks import Task

_AT_NULL, _AT_IGNORE, _AT_RANDOM, _AT_SYSINFO_EHDR = 0, 1, 25, 33
_RANDOM_BYTES: Final = 16
# Arguments and environment lie above the stack's top; their pointers come first (more than 16,000 of them).
_LOOKED_AT: Final = 1 << 17


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
    data = process.read_some(registers.stack, _LOOKED_AT)
    words = struct.unpack_from(f"={len(data) // 8}Q", data)
    place = 2 + words[0]  # the count, the arguments, an empty word
    while words[place]:
        place += 1
    place += 1
    while words[place] != _AT_NULL:
        if words[place] == _AT_SYSINFO_EHDR:
            process.write(registers.stack + 8 * place, struct.pack("=Q", _AT_IGNORE))
        elif words[place] == _AT_RANDOM:
            process.write(words[place + 1], supervisor.entropy.take(_RANDOM_BYTES))
        place += 2
