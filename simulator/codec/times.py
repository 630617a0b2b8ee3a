"""Instants and spans as messages carry them (3GPP TS 23.040 9.2.3.11, 9.2.3.12, 9.2.3.13)."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from typing import Final

from .damage import PduError

STAMP_OCTETS: Final = 7
_QUARTER: Final = timedelta(minutes=15)
_SIGN: Final = 0x08  # of the swapped octet: bit 3
# Years of two digits: those from here on are of the last century (common practice, no source).
_CENTURY_FROM: Final = 70


def encode_stamp(instant: datetime) -> bytes:
    """The seven octets of an aware *instant*: its local time, and its zone in quarters of an hour."""
    zone = instant.utcoffset() or timedelta()
    quarters = round(zone / _QUARTER)
    fields = (
        instant.year % 100,
        instant.month,
        instant.day,
        instant.hour,
        instant.minute,
        instant.second,
        abs(quarters),
    )
    octets = bytearray(field % 10 << 4 | field // 10 for field in fields)
    if quarters < 0:
        octets[-1] |= _SIGN
    return bytes(octets)


def decode_stamp(octets: bytes, part: str) -> datetime:
    """The instant of seven *octets*, in their zone; raises PduError."""
    if len(octets) != STAMP_OCTETS:
        raise PduError(part, f"{STAMP_OCTETS} octets are needed, {len(octets)} are left")
    zone = octets[-1]
    numbers = [_decimal(octet, part) for octet in (*octets[:-1], zone & ~_SIGN)]
    quarters = -numbers[6] if zone & _SIGN else numbers[6]
    year = numbers[0] + (1900 if numbers[0] >= _CENTURY_FROM else 2000)
    month, day, hour, minute, second = numbers[1:6]
    try:
        return datetime(year, month, day, hour, minute, second, tzinfo=timezone(quarters * _QUARTER))
    except ValueError as error:
        raise PduError(part, f"{octets.hex().upper()} is no time: {error}") from error


def _decimal(octet: int, part: str) -> int:
    tens, ones = octet & 0xF, octet >> 4
    if tens > 9 or ones > 9:  # noqa: PLR2004 # decimal digits
        raise PduError(part, f"{octet:02X} is no pair of decimal digits")
    return tens * 10 + ones


def relative_span(value: int) -> timedelta:
    """The validity that the octet *value* stands for (9.2.3.12.1)."""
    if value <= 143:  # noqa: PLR2004 # bounds of the table in 9.2.3.12.1, here and below
        return timedelta(minutes=5 * (value + 1))
    if value <= 167:  # noqa: PLR2004
        return timedelta(hours=12, minutes=30 * (value - 143))
    if value <= 196:  # noqa: PLR2004
        return timedelta(days=value - 166)
    return timedelta(weeks=value - 192)


def decode_enhanced(octets: bytes, part: str) -> timedelta | None:
    """The span of seven octets in the enhanced format, None where they state none (9.2.3.12.3)."""
    if len(octets) != STAMP_OCTETS:
        raise PduError(part, f"{STAMP_OCTETS} octets are needed, {len(octets)} are left")
    indicator = octets[0]
    if indicator & 0x80 or indicator & 0x38:
        raise PduError(part, f"functionality {indicator:02X} is reserved")
    match indicator & 0x07:
        case 0:
            return None
        case 1:
            return relative_span(octets[1])
        case 2:
            return timedelta(seconds=octets[1])
        case 3:
            hours, minutes, seconds = (_decimal(octet, part) for octet in octets[1:4])
            return timedelta(hours=hours, minutes=minutes, seconds=seconds)
        case other:
            raise PduError(part, f"format {other} is reserved")


def stamp_text(instant: datetime) -> str:
    """`yy/MM/dd,hh:mm:ss+zz` of TS 27.005 3.1, in the instant's own zone."""
    quarters = round((instant.utcoffset() or timedelta()) / _QUARTER)
    return f"{instant:%y/%m/%d,%H:%M:%S}{'-' if quarters < 0 else '+'}{abs(quarters):02d}"


def utc(instant: datetime) -> datetime:
    """*instant* in UTC."""
    return instant.astimezone(UTC)
