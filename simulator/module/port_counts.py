"""What the host's driver counts of a port: changes of lines, bytes, errors of its receiver.

As Linux tells it in struct serial_icounter_struct (linux/serial.h), asked for by TIOCGICOUNT.
"""

from __future__ import annotations

from dataclasses import astuple, dataclass


@dataclass(slots=True)
class PortCounts:
    """Counts since the port appeared: *rx* bytes came from the module, *tx* went to it.

    *overrun*, *brk* and *buf_overrun* stay 0: nothing here overruns the host or sends it a break.
    """

    cts: int = 0
    dsr: int = 0
    rng: int = 0
    dcd: int = 0
    rx: int = 0
    tx: int = 0
    frame: int = 0
    overrun: int = 0
    parity: int = 0
    brk: int = 0
    buf_overrun: int = 0

    def as_kernel_tells(self) -> tuple[int, ...]:
        """In the order of the kernel's structure."""
        return astuple(self)
