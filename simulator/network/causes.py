"""Why a network refuses, and what the standard has the module do then.

The causes are those of 3GPP TS 24.301 annex A; what follows from each is 5.5.1.2.5 (attach) and 5.5.2.3.2
(detach by the network), abnormal cases 5.5.1.2.6.  In 2G, TS 24.008 4.4.4.7 says the same for those that it
knows (from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum
from typing import TYPE_CHECKING, Final, NamedTuple

if TYPE_CHECKING:
    from .settings import CellSettings, Technology


class Action(Enum):
    """What the module does after a refusal."""

    CARD_INVALID = "card invalid until switched off or removed"
    PACKET_INVALID = "card invalid for packet service until switched off or removed"
    FORBID_PLMN = "PLMN forbidden, kept on the card"
    FORBID_PACKET = "PLMN forbidden for packet service until switched off or card removed"
    FORBID_AREA = "area forbidden until switched off or card removed"
    FORBID_CELL = "closed subscriber group forbidden"
    BACK_OFF = "waits for T3346"
    RETRY = "counts the attempt; T3411, then T3402"
    RETRY_LATE = "counts as the last attempt; T3402"


@dataclass(frozen=True, slots=True)
class Cause:
    """One cause: its *text* in the standard, what follows, and the clause that says so."""

    number: int
    text: str
    action: Action
    clause: str


_REJECT, _ABNORMAL = "TS 24.301 5.5.1.2.5", "TS 24.301 5.5.1.2.6 d"
_LATE = "TS 24.301 5.5.1.2.6 d, the counter from memory"

CAUSES: Final = {
    cause.number: cause
    for cause in (
        Cause(2, "IMSI unknown in HSS", Action.RETRY, _ABNORMAL),
        Cause(3, "Illegal UE", Action.CARD_INVALID, _REJECT),
        Cause(5, "IMEI not accepted", Action.RETRY, _ABNORMAL),
        Cause(6, "Illegal ME", Action.CARD_INVALID, _REJECT),
        Cause(7, "EPS services not allowed", Action.PACKET_INVALID, _REJECT),
        Cause(8, "EPS services and non-EPS services not allowed", Action.CARD_INVALID, _REJECT),
        Cause(9, "UE identity cannot be derived by the network", Action.RETRY, _ABNORMAL),
        Cause(10, "Implicitly detached", Action.RETRY, _ABNORMAL),
        Cause(11, "PLMN not allowed", Action.FORBID_PLMN, _REJECT),
        Cause(12, "Tracking area not allowed", Action.FORBID_AREA, _REJECT),
        Cause(13, "Roaming not allowed in this tracking area", Action.FORBID_AREA, _REJECT),
        Cause(14, "EPS services not allowed in this PLMN", Action.FORBID_PACKET, _REJECT),
        Cause(15, "No suitable cells in tracking area", Action.FORBID_AREA, _REJECT),
        Cause(16, "MSC temporarily not reachable", Action.RETRY, _ABNORMAL),
        Cause(17, "Network failure", Action.RETRY, _ABNORMAL),
        Cause(18, "CS domain not available", Action.RETRY, _ABNORMAL),
        Cause(19, "ESM failure", Action.RETRY, _ABNORMAL),
        Cause(20, "MAC failure", Action.RETRY, _ABNORMAL),
        Cause(21, "Synch failure", Action.RETRY, _ABNORMAL),
        Cause(22, "Congestion", Action.BACK_OFF, _REJECT),
        Cause(23, "UE security capabilities mismatch", Action.RETRY, _ABNORMAL),
        Cause(24, "Security mode rejected, unspecified", Action.RETRY, _ABNORMAL),
        Cause(25, "Not authorized for this CSG", Action.FORBID_CELL, _REJECT),
        Cause(26, "Non-EPS authentication unacceptable", Action.RETRY, _ABNORMAL),
        Cause(31, "Redirection to 5GCN required", Action.RETRY, _ABNORMAL),
        Cause(35, "Requested service option not authorized in this PLMN", Action.FORBID_PLMN, _REJECT),
        Cause(39, "CS service temporarily not available", Action.RETRY, _ABNORMAL),
        Cause(40, "No EPS bearer context activated", Action.RETRY, _ABNORMAL),
        Cause(42, "Severe network failure", Action.RETRY, _ABNORMAL),
        Cause(78, "PLMN not allowed to operate at the present UE location", Action.RETRY, _ABNORMAL),
        Cause(95, "Semantically incorrect message", Action.RETRY_LATE, _LATE),
        Cause(96, "Invalid mandatory information", Action.RETRY_LATE, _LATE),
        Cause(97, "Message type non-existent or not implemented", Action.RETRY_LATE, _LATE),
        Cause(98, "Message type not compatible with protocol state", Action.RETRY, _ABNORMAL),
        Cause(99, "Information element non-existent or not implemented", Action.RETRY_LATE, _LATE),
        Cause(100, "Conditional IE error", Action.RETRY, _ABNORMAL),
        Cause(101, "Message not compatible with protocol state", Action.RETRY, _ABNORMAL),
        Cause(111, "Protocol error, unspecified", Action.RETRY_LATE, _LATE),
    )
}

# TS 24.008 4.4.4.7 (from memory): what location updating treats otherwise than an attach.
_IN_2G: Final = {2: Action.CARD_INVALID, 14: Action.RETRY, 25: Action.RETRY, 35: Action.RETRY}


def action_of(cause: int, cell: CellSettings) -> Action:
    """What follows from *cause* by that cell; one that the standard does not know is an abnormal case."""
    if cell.technology == "2g" and cause in _IN_2G:
        return _IN_2G[cause]
    known = CAUSES.get(cause)
    action = known.action if known else Action.RETRY
    if action is Action.FORBID_CELL and not cell.closed_group:
        return Action.RETRY
    if action is Action.BACK_OFF and not cell.back_off_s:
        return Action.RETRY
    return action


def text_of(cause: int) -> str:
    """The cause in the standard's words; empty for one that it does not know."""
    known = CAUSES.get(cause)
    return known.text if known else ""


class Timers(NamedTuple):
    """How one technology times its attempts, in seconds; *most* of them, then comes the long wait."""

    answer_s: float
    retry_s: float
    most: int


# LTE: T3410, T3411 and the attach attempt counter (TS 24.301 table 10.2.1, 5.5.1.2.6); then T3402.
# 2G: T3210, T3211 and the location update attempt counter (TS 24.008 table 11.1, 4.4.4.9, from
# memory); then T3212.
TIMERS: Final[dict[Technology, Timers]] = {
    "lte": Timers(15, 10, 5),
    "2g": Timers(20, 15, 4),
}
