"""The bench side: suites, scripts and tools that run alike on a simulated and on a hardware bench.

What stands in `__all__` is for users; everything else may change.  Names are fetched when they are first
asked for, so that importing the package costs nothing.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from .bench.files import BenchDescription, load_bench
    from .bench.interface import Bench
    from .bench.shipped import find_bench
    from .bench.simulated.bench import SimulatedBench
    from .dialogue.dialogue import Dialogue
    from .measure import Measure
    from .messages import Message
    from .modem import Modem
    from .recording.query import Recording
    from .recording.store import load as load_recording

__all__ = [
    "Bench",
    "BenchDescription",
    "Dialogue",
    "Measure",
    "Message",
    "Modem",
    "Recording",
    "SimulatedBench",
    "find_bench",
    "load_bench",
    "load_recording",
]

_PLACES = {
    "Bench": ("hil.bench.interface", "Bench"),
    "BenchDescription": ("hil.bench.files", "BenchDescription"),
    "Dialogue": ("hil.dialogue.dialogue", "Dialogue"),
    "Measure": ("hil.measure", "Measure"),
    "Message": ("hil.messages", "Message"),
    "Modem": ("hil.modem", "Modem"),
    "Recording": ("hil.recording.query", "Recording"),
    "SimulatedBench": ("hil.bench.simulated.bench", "SimulatedBench"),
    "find_bench": ("hil.bench.shipped", "find_bench"),
    "load_bench": ("hil.bench.files", "load_bench"),
    "load_recording": ("hil.recording.store", "load"),
}


def __getattr__(name: str) -> Any:  # noqa: ANN401 # whatever the name stands for
    if name not in _PLACES:
        raise AttributeError(f"module 'hil' has no attribute {name!r}; for users are {', '.join(__all__)}")
    module, attribute = _PLACES[name]
    return getattr(import_module(module), attribute)
