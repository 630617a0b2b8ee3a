"""The states of a registration: every change of them is a row of one table."""

from __future__ import annotations

from enum import Enum
from typing import Final


class Registered(Enum):
    """Registration states, in the words of the recording."""

    IDLE = "not registered"
    SEARCHING = "searching"
    ATTACHING = "attaching"
    WAITING = "waiting to try again"
    HOME = "registered home"
    ROAMING = "registered roaming"
    DENIED = "denied"


REGISTERED = (Registered.HOME, Registered.ROAMING)
_TRYING = (Registered.ATTACHING, Registered.HOME, Registered.ROAMING)

TRANSITIONS: Final = (
    ("search", Registered.IDLE, Registered.SEARCHING),
    ("found", Registered.SEARCHING, Registered.ATTACHING),
    ("nothing_allowed", Registered.SEARCHING, Registered.DENIED),
    ("accepted_home", Registered.ATTACHING, Registered.HOME),
    ("accepted_roaming", Registered.ATTACHING, Registered.ROAMING),
    # A refusal, or an attempt that failed, may come to an attach and to an update of who is registered.
    *(("rejected", state, Registered.DENIED) for state in _TRYING),
    *(("rejected_here", state, Registered.SEARCHING) for state in _TRYING),
    *(("failed", state, Registered.WAITING) for state in _TRYING),
    *(("detached", state, Registered.SEARCHING) for state in (Registered.HOME, Registered.ROAMING)),
    *(("cell_lost", state, Registered.SEARCHING) for state in (*_TRYING, Registered.WAITING)),
    ("try_again", Registered.WAITING, Registered.ATTACHING),
    ("cell_moved", Registered.DENIED, Registered.SEARCHING),
    *(("give_up", state, Registered.IDLE) for state in Registered if state is not Registered.IDLE),
)
