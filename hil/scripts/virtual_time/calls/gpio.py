"""The GPIO character device: each call is answered once all others rest.

So they are answered in the order of the process tree, and after what was closed at the same instant.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from hil.scripts.gpio_device.answers import LOOKS, answer, control_in

if TYPE_CHECKING:
    from hil.scripts.virtual_time.supervisor import Supervisor
    from hil.scripts.virtual_time.tasks import Task

    from .handlers import Answer, Arguments


def control(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    """ioctl(2) of the chip or of lines; None where the descriptor is something else."""
    handles = supervisor.line_handles
    descriptor, number, _ = control_in(arguments)
    if handles is None or handles.find(task, descriptor) is None:
        return None
    if number in LOOKS:
        supervisor.spinning.look()
    return supervisor.calls.defer(task, _answer)


def _answer(supervisor: Supervisor, task: Task, arguments: Arguments) -> Answer:
    handles = supervisor.line_handles
    if handles is None:
        return None
    result = answer(handles, task, control_in(arguments))  # None: closed meanwhile, by another thread
    if result is None or isinstance(result, int):
        return result
    return supervisor.calls.make_instead(task, result)
