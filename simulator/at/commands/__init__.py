"""The commands, a file by subject; importing this package registers them all."""

from . import (
    basic,
    card,
    characters,
    clock,
    general,
    identity,
    indicators,
    interface,
    message_reading,
    message_sending,
    message_settings,
    network,
)

__all__ = [
    "basic",
    "card",
    "characters",
    "clock",
    "general",
    "identity",
    "indicators",
    "interface",
    "message_reading",
    "message_sending",
    "message_settings",
    "network",
]
