"""What becomes of each call that stops: one function each, in a file by subject."""

from . import clocks, controls, sleeps, sockets, timers, waits
from .handlers import HANDLERS

__all__ = ["HANDLERS", "clocks", "controls", "sleeps", "sockets", "timers", "waits"]
