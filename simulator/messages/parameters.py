"""What a message written in text mode is sent with (3GPP TS 27.005 3.3.2)."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class TextParameters:
    """First octet, validity (a number, an instant, or fourteen hexadecimal digits), protocol, coding."""

    first_octet: int = 17
    validity: str = "167"
    pid: int = 0
    dcs: int = 0
