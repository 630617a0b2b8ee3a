"""Characters in, levels on a wire out, and back: the start-stop framing of an asynchronous serial line.

A character is a start bit (low), its data bits with the lowest first, a parity bit where there is one,
and one or more stop bits (high); the line rests high (ISO/IEC 1177 and 2022 give the structure; how a
receiver samples is common practice, no source).  Pure: instants in, instants out.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final, NamedTuple

from simulator.kernel.timeline import SECOND_NS

if TYPE_CHECKING:
    from collections.abc import Iterator

_FRAMING: Final = re.compile(r"([5-8])([NEOMS])(1|1\.5|2)")
PARITIES: Final = ("N", "E", "O", "M", "S")


class LineSettings(NamedTuple):
    """What one end of a line is set to: rate in bit/s, 5 to 8 data bits, parity, 1, 1.5 or 2 stop bits.

    *parity*: N none, E even, O odd, M mark (always 1), S space (always 0).
    """

    baud: int
    data_bits: int = 8
    parity: str = "N"
    stop_bits: float = 1

    @classmethod
    def of(cls, baud: int, framing: str = "8N1") -> LineSettings:
        """Settings from a rate and a text such as `8N1`; raises ValueError for another text."""
        found = _FRAMING.fullmatch(framing)
        if found is None:
            raise ValueError(
                f"framing {framing!r}: expected data bits 5 to 8, a parity of {', '.join(PARITIES)}, "
                "and 1, 1.5 or 2 stop bits, such as 8N1"
            )
        stop = float(found[3])
        return cls(baud, int(found[1]), found[2], int(stop) if stop.is_integer() else stop)

    @property
    def framing(self) -> str:
        """The text without the rate: `8N1`."""
        return f"{self.data_bits}{self.parity}{self.stop_bits:g}"

    @property
    def bits(self) -> float:
        """How many bit times one character takes, from its start bit to the end of its stop bits."""
        return 1 + self.data_bits + (self.parity != "N") + self.stop_bits

    def after_bits_ns(self, bits: float) -> int:
        """How long so many bit times take, to the nearest nanosecond."""
        return (int(bits * 2) * SECOND_NS + self.baud) // (2 * self.baud)

    @property
    def character_ns(self) -> int:
        """How long one character takes on the wire."""
        return self.after_bits_ns(self.bits)

    def levels(self, byte: int) -> Iterator[tuple[int, int]]:
        """The line's course for *byte*: each level with the end of it, in ns from the start bit's edge."""
        bits = [0, *((byte >> place) & 1 for place in range(self.data_bits))]
        if self.parity != "N":
            bits.append(parity_of(byte, self))
        bits.append(1)
        last = len(bits) - 1
        for place, level in enumerate(bits):
            if place == last:
                yield level, self.character_ns
            elif bits[place + 1] != level:
                yield level, self.after_bits_ns(place + 1)


def parity_of(byte: int, settings: LineSettings) -> int:
    """The parity bit that belongs to *byte*: the count of ones, it included, is even for E and odd for O."""
    if settings.parity in "MS":
        return int(settings.parity == "M")
    ones = (byte & ((1 << settings.data_bits) - 1)).bit_count()
    return ones & 1 if settings.parity == "E" else 1 - (ones & 1)


class Received(NamedTuple):
    """One character as a receiver saw it, complete at *at_ns*."""

    at_ns: int
    byte: int
    framing_error: bool = False
    parity_error: bool = False


@dataclass(slots=True)
class _Character:
    """One character on its way in."""

    began_ns: int
    next_bit: int = 0
    byte: int = 0
    parity_bit: int = 0


class Receiver:
    """The receiving end: it starts at a falling edge, and samples each bit in its middle by its own clock.

    A low stop bit is a framing error; the next character begins with the next falling edge, so that a
    break (the line low for long) is one character 0 with a framing error.  Only the first stop bit is looked
    at, as receivers do (common practice, no source).
    """

    def __init__(self, settings: LineSettings) -> None:
        self.settings = settings
        self._stop_bit = 1 + settings.data_bits + (settings.parity != "N")
        self._now_ns = 0
        self._is_armed = True
        self._character: _Character | None = None

    @property
    def completes_ns(self) -> int | None:
        """When the character on its way in will be complete, or None where there is none."""
        character = self._character
        if character is None:
            return None
        return character.began_ns + self.settings.after_bits_ns(self._stop_bit + 1)

    @property
    def is_idle(self) -> bool:
        """Whether no character is on its way in and a falling edge begins one."""
        return self._character is None and self._is_armed

    def see(self, level: int, until_ns: int) -> list[Received]:
        """The line has been at *level* since it was last seen, until *until_ns*; the characters found."""
        found: list[Received] = []
        while True:
            character = self._character
            if character is None:
                if level:
                    self._is_armed = True
                    break
                if not self._is_armed:
                    break
                self._is_armed = False
                character = self._character = _Character(self._now_ns)
            sample_ns = character.began_ns + self.settings.after_bits_ns(character.next_bit + 0.5)
            if sample_ns >= until_ns:
                break
            self._sample(character, level, found)
            self._now_ns = max(self._now_ns, sample_ns)
        self._now_ns = max(self._now_ns, until_ns)
        return found

    def _sample(self, character: _Character, level: int, found: list[Received]) -> None:
        bit, settings = character.next_bit, self.settings
        character.next_bit += 1
        if bit == 0:
            if level:  # a spike, no start bit
                self._character, self._is_armed = None, True
        elif bit <= settings.data_bits:
            character.byte |= level << (bit - 1)
        elif bit < self._stop_bit:
            character.parity_bit = level
        else:
            self._character, self._is_armed = None, bool(level)
            wrong = settings.parity != "N" and character.parity_bit != parity_of(character.byte, settings)
            at_ns = character.began_ns + settings.after_bits_ns(self._stop_bit + 1)
            found.append(Received(at_ns, character.byte, not level, wrong))
