"""How long things take on the bus: the figures of USB 2.0 (2000-04-27), in nanoseconds.

Clause 7.1.7 and table 7-14 for the signalling, 9.2.6 for requests.  Those marked "from memory" were not
compared with the text.
"""

from __future__ import annotations

from typing import Final

_MS: Final = 1_000_000

# 7.1.7.3, TATTDB: from the attachment until the host believes in it.
DEBOUNCE_NS: Final = 100 * _MS
# 7.1.7.5, TDRSTR and TRSTRCY: reset by a root port, and the pause after it (from memory).
RESET_NS: Final = 50 * _MS
RESET_RECOVERY_NS: Final = 10 * _MS
# 9.2.6.3: what a device has to take its address (from memory).
ADDRESS_RECOVERY_NS: Final = 2 * _MS
# From the attachment to the configuration.
ENUMERATION_NS: Final = DEBOUNCE_NS + RESET_NS + RESET_RECOVERY_NS + ADDRESS_RECOVERY_NS

# 7.1.7.6: a device is suspended by then, at the latest, from the last traffic on (from memory).
SUSPENDED_NS: Final = 10 * _MS
# 7.1.7.7, TDRSMDN and TRSMRCY: the host's resume signalling, and the pause after it.
RESUME_SIGNALLING_NS: Final = 20 * _MS
RESUME_RECOVERY_NS: Final = 10 * _MS
RESUME_NS: Final = RESUME_SIGNALLING_NS + RESUME_RECOVERY_NS
# 7.1.7.7, TWTRSM: so long must the bus have been idle before a device may wake it.
WAKE_AFTER_IDLE_NS: Final = 5 * _MS

# 5.8.3 and 5.8.4 with table 5-10: at high speed 13 bulk packets of up to 512 bytes in 125 us (from memory).
MICROFRAME_NS: Final = 125_000
PACKET_BYTES: Final = 512
PACKETS_PER_MICROFRAME: Final = 13
