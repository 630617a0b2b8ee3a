"""The filter, run as the kernel runs it; and the tables of both architectures."""

from __future__ import annotations

import struct
from types import ModuleType

import pytest

from hil.scripts.linux import aarch64, x86_64
from hil.scripts.linux.filter import program
from hil.scripts.virtual_time.calls import HANDLERS

ALLOW, TRACE = 0x7FFF0000, 0x7FF00000
MACHINES = [x86_64, aarch64]


def judged(code: bytes, architecture: int, number: int, *arguments: int) -> int:
    """What the program returns for one call; knows the instructions that it uses (linux/filter.h)."""
    padded = (*arguments, *(0,) * (6 - len(arguments)))
    data = struct.pack("=iIQ6Q", number, architecture, 0, *(value & (1 << 64) - 1 for value in padded))
    instructions = list(struct.iter_unpack("=HBBI", code))
    place, accumulator = 0, 0
    while True:
        operation, if_true, if_false, constant = instructions[place]
        place += 1
        match operation:
            case 0x20:
                (accumulator,) = struct.unpack_from("=I", data, constant)
            case 0x15:
                place += if_true if accumulator == constant else if_false
            case 0x35:
                place += if_true if accumulator >= constant else if_false
            case 0x54:
                accumulator &= constant
            case 0x06:
                return int(constant)
            case _:
                raise AssertionError(f"instruction {operation:#x}")


CALLS = [
    # name, arguments, whether it stops
    ("read", (0, 1, 2), False),
    ("clock_gettime", (0, 1), True),
    ("clock_gettime", (1, 1), True),
    ("clock_gettime", (2, 1), False),  # processor time of the process
    ("clock_gettime", (3, 1), False),  # and of the thread
    ("clock_gettime", (-6, 1), False),  # and of another process
    ("nanosleep", (1, 0), True),
    ("poll", (1, 1, 1000), True),
    ("poll", (1, 1, 0), True),
    ("poll", (1, 1, -1), False),
    ("epoll_pwait", (1, 1, 1, 5), True),
    ("epoll_pwait", (1, 1, 1, -1), False),
    ("ppoll", (1, 1, 0x7F0000000000), True),
    ("ppoll", (1, 1, 0), False),
    ("pselect6", (1, 0, 0, 0, 0), False),
    ("pselect6", (1, 0, 0, 0, 1 << 40), True),
    ("futex", (1, 0, 0, 1 << 33), True),  # wait with a time-out
    ("futex", (1, 128, 0, 1 << 33), True),  # private
    ("futex", (1, 0, 0, 0), False),
    ("futex", (1, 1, 0, 1 << 33), False),  # wake: the argument is none
    ("futex", (1, 9 | 128 | 256, 0, 1 << 33), True),
    ("ioctl", (0, 0x5401, 1), True),
    ("ioctl", (0, 0x5413, 1), False),  # the window's size
    ("ioctl", (0, 0xC250B407, 1), True),  # of the GPIO device
    ("ioctl", (0, 0xC250B307, 1), False),  # of another
    ("setitimer", (0, 1, 0), True),
    ("setitimer", (1, 1, 0), False),  # processor time
    ("getrandom", (1, 16, 0), True),
]


@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.__name__.rpartition(".")[2])
@pytest.mark.parametrize(("name", "arguments", "stops"), CALLS)
def test_calls_that_concern_time_stop_and_no_others(
    machine: ModuleType, name: str, arguments: tuple[int, ...], stops: bool
) -> None:
    if name not in machine.NUMBERS:
        pytest.skip("not on this architecture")
    code = program(machine)

    assert judged(code, machine.AUDIT_ARCH, machine.NUMBERS[name], *arguments) == (TRACE if stops else ALLOW)
    assert judged(code, 0x40000003, machine.NUMBERS[name], *arguments) == ALLOW  # 32-bit programs


@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.__name__.rpartition(".")[2])
def test_a_ring_that_would_hide_waits_is_refused(machine: ModuleType) -> None:
    code = program(machine)

    assert judged(code, machine.AUDIT_ARCH, machine.NUMBERS["io_uring_setup"]) == 0x00050000 | 38


@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.__name__.rpartition(".")[2])
def test_every_call_that_stops_has_a_handler(machine: ModuleType) -> None:
    code = program(machine)
    for name, number in machine.NUMBERS.items():
        stops = any(
            judged(code, machine.AUDIT_ARCH, number, *arguments) == TRACE
            for arguments in ((0, 0, 0, 0, 0), (0, 0, 1, 1, 1), (0, 0x5401, 1, 1, 1))
        )
        assert not stops or name in HANDLERS, name


def test_numbers_are_those_of_the_kernel_s_tables() -> None:
    # A few of each, from asm/unistd_64.h and asm-generic/unistd.h.
    assert [x86_64.NUMBERS[name] for name in ("poll", "futex", "clock_gettime", "ppoll")] == [
        7,
        202,
        228,
        271,
    ]
    assert [aarch64.NUMBERS[name] for name in ("ppoll", "futex", "clock_gettime", "nanosleep")] == [
        73,
        98,
        113,
        101,
    ]
    for machine in MACHINES:
        assert len(set(machine.NUMBERS.values())) == len(machine.NUMBERS)


def test_registers_are_signed_where_results_are() -> None:
    registers = x86_64.Registers()
    registers.result, registers.number = -110, -1
    registers.set_argument(2, -1)

    assert (registers.result, registers.number) == (-110, -1)
    assert registers.arguments[2] == (1 << 64) - 1


@pytest.mark.parametrize("machine", MACHINES, ids=lambda machine: machine.__name__.rpartition(".")[2])
@pytest.mark.parametrize("stops", [True, False])
def test_this_machine_s_own_messages_are_refused_at_either_pace(machine: ModuleType, stops: bool) -> None:
    code = program(machine, stops=stops)

    assert judged(code, machine.AUDIT_ARCH, machine.NUMBERS["syslog"], 3) == 0x00050000 | 1
    slept = judged(code, machine.AUDIT_ARCH, machine.NUMBERS["nanosleep"], 1, 0)
    assert slept == (TRACE if stops else ALLOW)
