"""The commands, a file by subject; importing this package registers them all."""

from . import basic, card, general, identity, network

__all__ = ["basic", "card", "general", "identity", "network"]
