"""ioctl(2): whose it is, by its number."""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.scripts.linux import filter as rules

from . import gpio, terminals
from .handlers import Answer, Arguments, handles

if TYPE_CHECKING:
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task


@handles("ioctl")
def control(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """The GPIO device's, or a terminal's."""
    is_gpio = arguments[1] & rules.GPIO_MASK == rules.GPIO_TYPE
    control = gpio.control if is_gpio else terminals.control
    return control(supervisor, task, arguments)
