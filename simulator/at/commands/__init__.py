"""The commands, a file by subject; importing this package registers them all."""

from . import (
    basic,
    card,
    card_files,
    characters,
    clock,
    general,
    identity,
    indicators,
    interface,
    locks,
    message_reading,
    message_sending,
    message_settings,
    network,
    operators,
    signal,
)

__all__ = [
    "basic",
    "card",
    "card_files",
    "characters",
    "clock",
    "general",
    "identity",
    "indicators",
    "interface",
    "locks",
    "message_reading",
    "message_sending",
    "message_settings",
    "network",
    "operators",
    "signal",
]
