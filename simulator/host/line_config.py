"""What is asked of a GPIO line: the flags of linux/gpio.h, second version, and which of them go together.

The rules are those of gpiolib-cdev.c, from memory.  The first version's flags become the second's here.
"""

from __future__ import annotations

import errno
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from .refusal import fault

if TYPE_CHECKING:
    from simulator.board.host import Bias, Drive

# enum gpio_v2_line_flag.
USED, ACTIVE_LOW, INPUT, OUTPUT, RISING, FALLING = 0x01, 0x02, 0x04, 0x08, 0x10, 0x20
OPEN_DRAIN, OPEN_SOURCE, PULL_UP, PULL_DOWN, NO_BIAS = 0x40, 0x80, 0x100, 0x200, 0x400
WALL_CLOCK, HARDWARE_CLOCK = 0x800, 0x1000

DIRECTION: Final = INPUT | OUTPUT
EDGES: Final = RISING | FALLING
DRIVE: Final = OPEN_DRAIN | OPEN_SOURCE
BIAS: Final = PULL_UP | PULL_DOWN | NO_BIAS
_VALID: Final = 0x1FFE

# GPIOHANDLE_REQUEST_* of the first version, each with its flag of the second.
_FIRST: Final = (
    *((0x01, INPUT), (0x02, OUTPUT), (0x04, ACTIVE_LOW), (0x08, OPEN_DRAIN), (0x10, OPEN_SOURCE)),
    *((0x20, PULL_UP), (0x40, PULL_DOWN), (0x80, NO_BIAS)),
)
_FIRST_VALID: Final = 0xFF
# GPIOLINE_FLAG_*, which the first version tells: the numbers differ from those it is asked with.
_FIRST_TOLD: Final = (
    *((0x01, USED), (0x02, OUTPUT), (0x04, ACTIVE_LOW), (0x08, OPEN_DRAIN), (0x10, OPEN_SOURCE)),
    *((0x20, PULL_UP), (0x40, PULL_DOWN), (0x80, NO_BIAS)),
)


@dataclass(frozen=True, slots=True)
class LineConfig:
    """What one line is to be; as an output it begins with the value *output*, which `ACTIVE_LOW` inverts."""

    flags: int
    output: bool = False
    debounce_us: int | None = None

    def check(self) -> None:
        """Return where the parts go together; EINVAL, or EOPNOTSUPP for a clock that this host lacks."""
        flags = self.flags
        if flags & ~_VALID:
            raise fault(errno.EINVAL)
        if flags & HARDWARE_CLOCK:
            raise fault(errno.EOPNOTSUPP)
        bias = flags & BIAS
        is_wrong = (
            flags & DIRECTION == DIRECTION
            or (flags & EDGES and not flags & INPUT)
            or flags & DRIVE == DRIVE
            or (flags & DRIVE and not flags & OUTPUT)
            or (bias and not flags & DIRECTION)
            or bias & (bias - 1)
            or (self.debounce_us is not None and not flags & INPUT)
        )
        if is_wrong:
            raise fault(errno.EINVAL)

    @property
    def bias(self) -> Bias:
        """The pull that is asked for."""
        match self.flags & BIAS:
            case 0x100:
                return "up"
            case 0x200:
                return "down"
            case 0x400:
                return "none"
        return "as-is"

    @property
    def drive(self) -> Drive:
        """How the line is driven."""
        if self.flags & OPEN_DRAIN:
            return "open-drain"
        return "open-source" if self.flags & OPEN_SOURCE else "push-pull"


def from_first(flags: int) -> int:
    """The flags of a request of the first version; EINVAL for one that nobody knows."""
    if flags & ~_FIRST_VALID:
        raise fault(errno.EINVAL)
    return sum(second for first, second in _FIRST if flags & first)


def to_first(flags: int) -> int:
    """What the first version tells of a line."""
    return sum(first for first, second in _FIRST_TOLD if flags & second)
