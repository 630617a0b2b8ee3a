"""Which flags go together; the rules are those of gpiolib-cdev.c, from memory."""

from __future__ import annotations

import errno

import pytest

from simulator.host import line_config as flag
from simulator.host.line_config import LineConfig, from_first, to_first

# From linux/gpio.h as the machine has it: the numbers are checked against the header in test_gpio_records.py.
WRONG = [
    LineConfig(flag.INPUT | flag.OUTPUT),
    LineConfig(flag.RISING),
    LineConfig(flag.OUTPUT | flag.FALLING),
    LineConfig(flag.OPEN_DRAIN),
    LineConfig(flag.INPUT | flag.OPEN_SOURCE),
    LineConfig(flag.OUTPUT | flag.OPEN_DRAIN | flag.OPEN_SOURCE),
    LineConfig(flag.PULL_UP),
    LineConfig(flag.INPUT | flag.PULL_UP | flag.PULL_DOWN),
    LineConfig(flag.INPUT | flag.PULL_UP | flag.NO_BIAS),
    LineConfig(flag.USED | flag.INPUT),
    LineConfig(flag.INPUT | 1 << 40),
    LineConfig(flag.OUTPUT, debounce_us=10),
    LineConfig(0, debounce_us=10),
]


@pytest.mark.parametrize("config", WRONG, ids=str)
def test_what_does_not_go_together_is_invalid(config: LineConfig) -> None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 # the number is what is looked at
        config.check()

    assert caught.value.errno == errno.EINVAL


def test_a_clock_that_the_host_lacks_is_not_supported() -> None:
    with pytest.raises(OSError) as caught:  # noqa: PT011 # as above
        LineConfig(flag.INPUT | flag.RISING | flag.HARDWARE_CLOCK).check()

    assert caught.value.errno == errno.EOPNOTSUPP


@pytest.mark.parametrize(
    "flags",
    [
        0,
        flag.ACTIVE_LOW,
        flag.INPUT | flag.RISING | flag.FALLING | flag.PULL_UP | flag.WALL_CLOCK,
        flag.OUTPUT | flag.OPEN_DRAIN | flag.NO_BIAS | flag.ACTIVE_LOW,
    ],
)
def test_what_goes_together_is_taken(flags: int) -> None:
    LineConfig(flags).check()


def test_the_first_version_s_flags_have_their_meaning_in_the_second() -> None:
    assert from_first(0x01 | 0x04) == flag.INPUT | flag.ACTIVE_LOW
    assert from_first(0x02 | 0x08 | 0x80) == flag.OUTPUT | flag.OPEN_DRAIN | flag.NO_BIAS
    assert to_first(flag.USED | flag.OUTPUT | flag.PULL_UP | flag.ACTIVE_LOW) == 0x01 | 0x02 | 0x04 | 0x20
    with pytest.raises(OSError, match="EINVAL"):
        from_first(0x100)


def test_bias_and_drive_are_told_in_the_board_s_words() -> None:
    assert [LineConfig(flags).bias for flags in (0, flag.PULL_UP, flag.PULL_DOWN, flag.NO_BIAS)] == [
        *("as-is", "up", "down", "none")
    ]
    assert [LineConfig(flags).drive for flags in (0, flag.OPEN_DRAIN, flag.OPEN_SOURCE)] == [
        *("push-pull", "open-drain", "open-source")
    ]
