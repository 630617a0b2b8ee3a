"""What a person at the bench has to heed, shown where they are about to act."""

from __future__ import annotations

from typing import Final

CAUTIONS: Final = (
    "Local rules and licensed practice come first; this is a test aid, not a certification.",
    (
        "Antenna, or a 50 ohm load, before a module may transmit. One that registers transmits. Transmit "
        "only where you are licensed to, or inside a shielded box."
    ),
    "Emergency numbers are never called or written to, also not for a test.",
    "A card locks after three wrong PINs and is lost after ten wrong PUKs.",
    (
        "Supply polarity and voltage first with the module unplugged. Lithium cells burn when shorted, "
        "overcharged or crushed."
    ),
    (
        "Discharge yourself before you touch a board. Keep away from mains, and from masts when there may be "
        "lightning."
    ),
)

BYPASSED: Final = (
    "A script that runs on the host itself goes past the guards: the bench file has to state a barred test "
    'card ([transmit] card = "barred") or a shielded box ([transmit] antenna = "shielded-box").'
)
