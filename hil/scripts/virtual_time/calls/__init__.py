"""What becomes of each call that stops: one function each, in a file by subject."""

from . import clocks, sleeps, sockets, terminals, timers, waits
from .handlers import HANDLERS

__all__ = ["HANDLERS", "clocks", "sleeps", "sockets", "terminals", "timers", "waits"]
