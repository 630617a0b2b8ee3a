"""The commands, a file by subject; importing this package registers them all."""

from . import basic, card, clock, general, identity, indicators, network

__all__ = ["basic", "card", "clock", "general", "identity", "indicators", "network"]
