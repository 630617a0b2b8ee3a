"""What comes out of a receiver, for levels that a sender puts on the wire."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simulator.module.framing import LineSettings, Received, Receiver

RATES = (1200, 9600, 19200, 115200, 921600)
FRAMINGS = ("5N1", "6E2", "7E1", "7O1", "7S1", "8N1", "8N2", "8E1", "8O2", "8M1")


def transfer(
    data: bytes, sender: LineSettings, receiver: LineSettings, *, gap_bits: float = 0
) -> list[Received]:
    """*data* sent without pauses (or with a gap between characters), as the receiver sees it."""
    end = Receiver(receiver)
    found: list[Received] = []
    now_ns = 0
    for byte in data:
        for level, until_ns in sender.levels(byte):
            found += end.see(level, now_ns + until_ns)
        now_ns += sender.character_ns + sender.after_bits_ns(gap_bits)
        found += end.see(1, now_ns)
    return [*found, *end.see(1, now_ns + 20 * receiver.character_ns)]


@pytest.mark.parametrize("framing", FRAMINGS)
@given(data=st.binary(min_size=1, max_size=20), rate=st.sampled_from(RATES))
def test_equal_settings_carry_every_byte_at_its_exact_instant(framing: str, data: bytes, rate: int) -> None:
    settings = LineSettings.of(rate, framing)
    mask = (1 << settings.data_bits) - 1

    received = transfer(data, settings, settings)

    assert bytes(one.byte for one in received) == bytes(byte & mask for byte in data)
    assert not any(one.framing_error or one.parity_error for one in received)
    first_stop = settings.bits - settings.stop_bits + 1
    for place, one in enumerate(received):
        assert one.at_ns == place * settings.character_ns + settings.after_bits_ns(first_stop)


@pytest.mark.parametrize(
    ("settings", "bits", "took_ns"),
    [
        ("8N1", 10, 1_041_667),
        ("8E1", 11, 1_145_833),
        ("8N2", 11, 1_145_833),
        ("7E1", 10, 1_041_667),
        ("5N1", 7, 729_167),
        ("5N1.5", 7.5, 781_250),
    ],
)
def test_a_character_takes_its_bits_at_9600(settings: str, bits: float, took_ns: int) -> None:
    line = LineSettings.of(9600, settings)

    assert (line.bits, line.character_ns) == (bits, took_ns)


@pytest.mark.parametrize("framing", ["9N1", "8X1", "8N3", "8n1", "", "8N1 "])
def test_a_framing_that_is_none_is_refused_with_what_is_allowed(framing: str) -> None:
    with pytest.raises(ValueError, match="such as 8N1"):
        LineSettings.of(9600, framing)


# Worked by hand from the bits on the wire, lowest first, start bit 0, stop bit 1:
#   'A' 0x41: 0 10000010 1     'T' 0x54: 0 00101010 1     CR 0x0D: 0 10110000 1
MISMATCHES = [
    # Receiver twice as fast: each bit is seen twice.  'A' is 00 11 00 00 00 00 00 11 00 11: it starts at the
    # falling edge, samples 0 | 0 1 1 0 0 0 0 0 | stop 0 -> 0x06, framing error; the line is low until bit 7
    # of the sender's rises: next falling edge is bit 8 (0), samples 0 | 0 1 1 1 1 1 1 1 | stop 1 -> 0xFE.
    (b"A", "9600 8N1", "19200 8N1", [(0x06, True, False), (0xFE, False, False)]),
    # Receiver at a third: the middle of its bit k lies at 3k + 1.5 of the sender's bits.  From the first
    # edge, place 1 is 1: a spike, no start bit.  The next falling edge is at place 2: place 3 is 0, a start;
    # place 6 is 0; place 9 and the rest after it are 1 -> 0xFE.
    (b"A", "28800 8N1", "9600 8N1", [(0xFE, False, False)]),
    # Seven bits with even parity read as eight without: parity of 'A' (two ones) is 0, of CR (three) is 1.
    (b"A\r", "9600 7E1", "9600 8N1", [(0x41, False, False), (0x8D, False, False)]),
    # Eight bits without parity read as seven with even parity: the eighth bit is taken for the parity.
    (b"A\r", "9600 8N1", "9600 7E1", [(0x41, False, False), (0x0D, False, True)]),
    # Even parity read as odd: every character is wrong, every byte is right.
    (b"AT", "9600 8E1", "9600 8O1", [(0x41, False, True), (0x54, False, True)]),
    # Two stop bits read as one: nobody notices.  One read as two: only the first is looked at.
    (b"AT\r", "9600 8N2", "9600 8N1", [(0x41, False, False), (0x54, False, False), (0x0D, False, False)]),
    (b"AT\r", "9600 8N1", "9600 8N2", [(0x41, False, False), (0x54, False, False), (0x0D, False, False)]),
    # No parity read as even parity, without pauses: 'T' has three ones, and the stop bit taken for parity
    # is 1: right.  Then the next start bit stands where the stop bit should be: a framing error.  The line
    # rises with the second T's bit 2 and falls with bit 3: bits 1 0 1 0, its stop bit and the rest are read
    # as 0xF5 with parity 1, wrong for six ones.
    (b"TT", "9600 8N1", "9600 8E1", [(0x54, True, False), (0xF5, False, True)]),
]


def settings_of(text: str) -> LineSettings:
    baud, framing = text.split()
    return LineSettings.of(int(baud), framing)


@pytest.mark.parametrize(("sent", "sender", "receiver", "expected"), MISMATCHES)
def test_a_mismatch_gives_the_bytes_worked_by_hand(
    sent: bytes, sender: str, receiver: str, expected: list[tuple[int, bool, bool]]
) -> None:
    received = transfer(sent, settings_of(sender), settings_of(receiver))

    assert [(one.byte, one.framing_error, one.parity_error) for one in received] == expected


def test_a_break_is_one_character_zero_with_a_framing_error_however_long_it_lasts() -> None:
    end = Receiver(LineSettings(9600))

    found = [*end.see(1, 1000), *end.see(0, 100_000_000), *end.see(1, 200_000_000)]

    assert [(one.byte, one.framing_error) for one in found] == [(0, True)]


def test_a_spike_shorter_than_half_a_bit_is_no_character() -> None:
    end = Receiver(LineSettings(9600))

    found = [*end.see(1, 1000), *end.see(0, 50_000), *end.see(1, 200_000_000)]

    assert found == []
    assert end.is_idle


@pytest.mark.parametrize("percent", [-4, -2, 2, 4])
def test_a_rate_that_is_wrong_by_up_to_four_percent_carries_every_byte(percent: int) -> None:
    every = bytes(range(256))

    received = transfer(every, LineSettings(115200 * (100 + percent) // 100), LineSettings(115200))

    assert bytes(one.byte for one in received) == every


@pytest.mark.parametrize("percent", [-7, 7])
def test_a_rate_that_is_wrong_by_seven_percent_loses_bytes(percent: int) -> None:
    every = bytes(range(256))

    received = transfer(every, LineSettings(115200 * (100 + percent) // 100), LineSettings(115200))

    assert bytes(one.byte for one in received) != every
