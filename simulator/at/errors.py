"""Why a command failed: the codes of +CME ERROR (3GPP TS 27.007 V14.10.0 9.2) and +CMS ERROR, in words."""

from __future__ import annotations

from typing import Final

CME: Final[dict[int, str]] = {
    0: "phone failure",
    1: "no connection to phone",
    2: "phone-adaptor link reserved",
    3: "operation not allowed",
    4: "operation not supported",
    5: "PH-SIM PIN required",
    6: "PH-FSIM PIN required",
    7: "PH-FSIM PUK required",
    10: "SIM not inserted",
    11: "SIM PIN required",
    12: "SIM PUK required",
    13: "SIM failure",
    14: "SIM busy",
    15: "SIM wrong",
    16: "incorrect password",
    17: "SIM PIN2 required",
    18: "SIM PUK2 required",
    20: "memory full",
    21: "invalid index",
    22: "not found",
    23: "memory failure",
    24: "text string too long",
    25: "invalid characters in text string",
    26: "dial string too long",
    27: "invalid characters in dial string",
    30: "no network service",
    31: "network timeout",
    32: "network not allowed - emergency calls only",
    40: "network personalization PIN required",
    41: "network personalization PUK required",
    42: "network subset personalization PIN required",
    43: "network subset personalization PUK required",
    44: "service provider personalization PIN required",
    45: "service provider personalization PUK required",
    46: "corporate personalization PIN required",
    47: "corporate personalization PUK required",
    48: "hidden key required",
    49: "EAP method not supported",
    50: "Incorrect parameters",
    51: "command implemented but currently disabled",
    52: "command aborted by user",
    53: "not attached to network due to MT functionality restrictions",
    54: "modem not allowed - MT restricted to emergency calls only",
    55: "operation not allowed because of MT functionality restrictions",
    56: "fixed dial number only allowed - called number is not a fixed dial number",
    57: "temporarily out of service due to other MT usage",
    58: "language/alphabet not supported",
    59: "unexpected data value",
    60: "system failure",
    61: "data missing",
    62: "call barred",
    63: "message waiting indication subscription failure",
    100: "unknown",
    102: "IMSI unknown in HLR/HSS",  # wording from memory
    103: "Illegal MS",
    104: "IMSI unknown in VLR",  # wording from memory
    105: "IMEI not accepted",  # wording from memory
    106: "Illegal ME",
    107: "GPRS services not allowed",
    108: "GPRS services and non-GPRS services not allowed",
    109: "MS/UE identity cannot be derived by the network",  # wording from memory
    110: "implicitly detached",  # wording from memory
    111: "PLMN not allowed",
    112: "Location area not allowed",
    113: "Roaming not allowed in this location area",
    114: "GPRS services not allowed in this PLMN",
    115: "No Suitable Cells In Location Area",
    116: "MSC temporarily not reachable",  # wording from memory
    117: "network failure (attach)",  # wording from memory
    118: "CS domain not available",  # wording from memory
    119: "ESM failure",  # wording from memory
    122: "Congestion",
    124: "MBMS bearer capabilities insufficient for the service",  # wording from memory
    125: "Not authorized for this CSG",
    126: "insufficient resources",
    127: "missing or unknown APN",
    128: "unknown PDP address or PDP type",
    129: "user authentication failed",
    130: "activation rejected by GGSN, Serving GW or PDN GW",
    131: "activation rejected, unspecified",
    132: "service option not supported",
    133: "requested service option not subscribed",
    134: "service option temporarily out of order",
    135: "NSAPI/PTI already in use",  # wording from memory
    136: "regular deactivation",  # wording from memory
    137: "QoS not accepted",  # wording from memory
    138: "call cannot be identified",  # wording from memory
    139: "CS service temporarily not available",  # wording from memory
    140: "feature not supported",
    141: "semantic error in the TFT operation",
    142: "syntactical error in the TFT operation",
    143: "unknown PDP context",
    144: "semantic errors in packet filter(s)",
    145: "syntactical errors in packet filter(s)",
    146: "PDP context without TFT already activated",
    147: "multicast group membership time-out",  # wording from memory
    148: "unspecified GPRS error",
    149: "PDP authentication failure",
    150: "invalid mobile class",
    151: "VBS/VGCS not supported by the network",
    152: "No service subscription on SIM",
    153: "No subscription for group ID",
    154: "Group Id not activated on SIM",
    155: "No matching notification",
    156: "VBS/VGCS call already present",
    157: "Congestion",
    158: "Network failure",
    159: "Uplink busy",
    160: "No access rights for SIM file",
    161: "No subscription for priority",
    162: "operation not applicable or not possible",
    163: "Group Id prefixes not supported",
    164: "Group Id prefixes not usable for VBS",
    165: "Group Id prefix value invalid",
    171: "Last PDN disconnection not allowed",
    172: "Semantically incorrect message",
    173: "Mandatory information element error",
    174: "Information element non-existent or not implemented",
    175: "Conditional IE error",
    176: "Protocol error, unspecified",
    177: "Operator Determined Barring",
    178: "maximum number of PDP contexts reached",
    179: "requested APN not supported in current RAT and PLMN combination",
    180: "request rejected, Bearer Control Mode violation",
    181: "unsupported QCI value",
    182: "user data transmission via control plane is congested",
    183: "SMS provided via GPRS in this routing area",  # wording from memory
    184: "invalid PTI value",  # wording from memory
    185: "no bearer activated",  # wording from memory
    186: "message not compatible with protocol state",  # wording from memory
    187: "recovery on timer expiry",  # wording from memory
    188: "invalid transaction identifier value",  # wording from memory
    189: "requested service option not authorized in this PLMN",  # wording from memory
    190: "network failure (activation)",  # wording from memory
    191: "reactivation requested",  # wording from memory
    192: "PDN type IPv4 only allowed",  # wording from memory
    193: "PDN type IPv6 only allowed",  # wording from memory
    194: "single address bearers only allowed",  # wording from memory
    195: "collision with network initiated request",  # wording from memory
    196: "PDN type IPv4v6 only allowed",  # wording from memory
    197: "PDN type non-IP only allowed",  # wording from memory
    198: "bearer handling not supported",  # wording from memory
    199: "APN restriction value incompatible",  # wording from memory
    200: "multiple accesses to a PDN connection not allowed",  # wording from memory
    201: "ESM information not received",  # wording from memory
    202: "PDN connection does not exist",  # wording from memory
    203: "multiple PDN connections for one APN not allowed",  # wording from memory
    204: "severe network failure",  # wording from memory
}

# Codes of +CMS ERROR: TS 24.011 V14.3.0 E.2 (1 to 127), TS 23.040 V14.0.0 9.2.3.22 (128 to 255) and
# TS 27.005 V14.0.0 3.2.5 (from 300 on).
CMS: Final[dict[int, str]] = {
    1: "Unassigned (unallocated) number",
    8: "Operator determined barring",
    10: "Call barred",
    17: "Network failure",
    21: "Short message transfer rejected",
    22: "Congestion / memory capacity exceeded",
    27: "Destination out of service",
    28: "Unidentified subscriber",
    29: "Facility rejected",
    30: "Unknown subscriber",
    38: "Network out of order",
    41: "Temporary failure",
    42: "Congestion",
    47: "Resources unavailable, unspecified",
    50: "Requested facility not subscribed",
    69: "Requested facility not implemented",
    81: "Invalid short message transfer reference value",
    95: "Semantically incorrect message",
    96: "Invalid mandatory information",
    97: "Message type non-existent or not implemented",
    98: "Message not compatible with short message protocol state",
    99: "Information element non-existent or not implemented",
    111: "Protocol error, unspecified",
    127: "Interworking, unspecified",
    128: "Telematic interworking not supported",
    129: "Short message Type 0 not supported",
    130: "Cannot replace short message",
    143: "Unspecified TP-PID error",
    144: "Data coding scheme (alphabet) not supported",
    145: "Message class not supported",
    159: "Unspecified TP-DCS error",
    160: "Command cannot be actioned",
    161: "Command unsupported",
    175: "Unspecified TP-Command error",
    176: "TPDU not supported",
    192: "SC busy",
    193: "No SC subscription",
    194: "SC system failure",
    195: "Invalid SME address",
    196: "Destination SME barred",
    197: "SM Rejected-Duplicate SM",
    198: "TP-VPF not supported",
    199: "TP-VP not supported",
    208: "(U)SIM SMS storage full",
    209: "No SMS storage capability in (U)SIM",
    210: "Error in MS",
    211: "Memory Capacity Exceeded",
    212: "(U)SIM Application Toolkit Busy",
    213: "(U)SIM data download error",
    255: "Unspecified error cause",
    300: "ME failure",
    301: "SMS service of ME reserved",
    302: "operation not allowed",
    303: "operation not supported",
    304: "invalid PDU mode parameter",
    305: "invalid text mode parameter",
    310: "(U)SIM not inserted",
    311: "(U)SIM PIN required",
    312: "PH-(U)SIM PIN required",
    313: "(U)SIM failure",
    314: "(U)SIM busy",
    315: "(U)SIM wrong",
    316: "(U)SIM PUK required",
    317: "(U)SIM PIN2 required",
    318: "(U)SIM PUK2 required",
    320: "memory failure",
    321: "invalid memory index",
    322: "memory full",
    330: "SMSC address unknown",
    331: "no network service",
    332: "network timeout",
    340: "no +CNMA acknowledgement expected",
    500: "unknown error",
}

# Those that several subjects answer with.
NOT_ALLOWED: Final = 3
NOT_SUPPORTED: Final = 4
ABORTED: Final = 52


class CommandError(Exception):
    """A command ends with an error result.

    *cme* is a code of +CME ERROR; None is a plain ERROR, kept for syntax, for values out of range and
    for what the terminal adaptor itself refuses (TS 27.007 9.1).
    """

    def __init__(self, cme: int | None = None) -> None:
        self.cme = cme
        super().__init__("ERROR" if cme is None else f"+CME ERROR: {cme}")


class MessageError(CommandError):
    """A message command ends with +CMS ERROR: *cms* (3GPP TS 27.005 3.2.5)."""

    def __init__(self, cms: int) -> None:
        super().__init__()
        self.cms = cms
