"""What a terminal's line is set to, read from its descriptor.

Any rate can be set, not only those with a name, so the kernel's second form of the settings is asked
(TCGETS2, include/uapi/asm-generic/ioctls.h and termbits.h).
"""

from __future__ import annotations

import fcntl
import struct
import termios
from typing import Final, NamedTuple

from simulator.module.framing import LineSettings

_TCGETS2: Final = 0x802C542A
# Four flag words, the line discipline, 19 control characters, the two rates.
_TERMIOS2: Final = struct.Struct("=4IB19s2I")
_BITS: Final = {termios.CS5: 5, termios.CS6: 6, termios.CS7: 7, termios.CS8: 8}


class TerminalSettings(NamedTuple):
    """A line's settings, None at rate 0 (B0: hang up), and whether its sender heeds CTS."""

    line: LineSettings | None
    rtscts: bool


def read_settings(descriptor: int) -> TerminalSettings:
    """The settings of the terminal at *descriptor*.  A pty always tells 8 bits and no parity."""
    buffer = bytearray(_TERMIOS2.size)
    fcntl.ioctl(descriptor, _TCGETS2, buffer)
    _, _, control, _, _, _, _, speed = _TERMIOS2.unpack(buffer)
    parity = "N" if not control & termios.PARENB else "O" if control & termios.PARODD else "E"
    stop_bits = 2 if control & termios.CSTOPB else 1
    line = LineSettings(speed, _BITS[control & termios.CSIZE], parity, stop_bits) if speed else None
    return TerminalSettings(line, bool(control & termios.CRTSCTS))
