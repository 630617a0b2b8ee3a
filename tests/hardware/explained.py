"""Why one test leaves two recordings, on the stand-in and on a simulated bench; `README.md` tells more."""

from __future__ import annotations

import re
from collections.abc import Callable
from typing import Final, NamedTuple

from hil.recording.comparison import Difference

# How far apart two occurrences of one delay may lie: the widest of the profile, divided as all are.
_SPREAD_S: Final = 2.0
_AFTER: Final = re.compile(r" (?P<s>\d+\.\d{3}) s after ")

# What the module or its network counts on, and a simulated bench begins anew with each test.
_GOES_ON: Final = tuple(
    re.compile(text)
    for text in (
        r"(?<=\+CMGS: )\d+",  # the message's reference
        r"(?<=050003)[0-9A-F]{2}(?=0[1-9]0[1-9])",  # that of a text in parts (TS 23.040 9.2.3.24.1)
        r"(?<=000006)[0-9A-F]{2}(?=0C91)",  # and where a report tells it
        r"(?<=621051)[0-9]{8}",  # the service centre's time, of the day on which every bench begins
        r"(?<=\+CPMS: )[^\r\\]+",  # what the test before has left in the store
        r'(?<=\+CCLK: ")26/01/15,[0-9:]{8}',
    )
)


class Explanation(NamedTuple):
    """*name* as README.md has it, and which differences it is about, of which tests."""

    name: str
    tests: str
    holds: Callable[[Difference], bool]


def _one_sided(difference: Difference, *texts: str) -> bool:
    """A text that one side lacks, and which it is."""
    told = {difference.ours, difference.theirs} - {""}
    return difference.kind == "text" and len(told) == 1 and bool(re.fullmatch("|".join(texts), told.pop()))


def _is_boot(difference: Difference) -> bool:
    asks = (r"sent 'AT\\r'", r"heard '\\r\\nTARN READY\\r\\n'", r"heard 'AT\\r\\r\\nOK\\r\\n'")
    if difference.lane != "port/at":
        return False
    sides = (difference.ours, difference.theirs)
    if difference.kind == "time" and all(" s after appear" in side for side in sides):
        return _is_soon(difference)
    if difference.kind in ("time", "order"):
        return any(re.match(f"{one}|appear", difference.ours) for one in asks)
    return _one_sided(difference, *asks)


def _goes_on(difference: Difference) -> bool:
    ours, theirs = difference.ours, difference.theirs
    for each in _GOES_ON:
        ours, theirs = each.sub("#", ours), each.sub("#", theirs)
    return difference.kind == "text" and ours == theirs


def _is_let_go(difference: Difference) -> bool:
    return difference.lane.startswith("header/") and _one_sided(difference, "level None", "level 0")


def _is_soon(difference: Difference) -> bool:
    """A time that differs by no more than two occurrences of one delay do."""
    found = [_AFTER.search(text) for text in (difference.ours, difference.theirs)]
    seconds = [float(one["s"]) for one in found if one]
    return difference.kind == "time" and len(seconds) == 2 and abs(seconds[0] - seconds[1]) <= _SPREAD_S


def _is_of_uart(difference: Difference) -> bool:
    return difference.lane == "port/uart" or _is_soon(difference)


EXPLANATIONS: Final = (
    Explanation("outcome", ".*", lambda difference: difference.kind == "outcome"),
    Explanation("threshold", "test_power_key-test_the_start_threshold.*", lambda _: True),
    Explanation("boot", ".*", _is_boot),
    Explanation("memory", "test_(messages|time)-.*", _goes_on),
    Explanation("commanded", ".*", _is_let_go),
    Explanation("instruments", "test_supply-.*", lambda difference: difference.kind == "time"),
    Explanation("uart", "test_(uart|unsolicited|wiring)-.*", _is_of_uart),
    Explanation(
        "looks",
        "test_usb-test_(a_reset_by_the_host|a_dead_handle).*",
        lambda difference: _one_sided(difference, "vanish", "appear") or _is_soon(difference),
    ),
    Explanation("end", "test_(power_key|supply|usb)-.*", lambda difference: _one_sided(difference, "vanish")),
    Explanation("draws", ".*", _is_soon),
)


def explain(test: str, difference: Difference) -> str | None:
    """The name of what explains *difference* of *test* (its recording's name); None where nothing does."""
    for each in EXPLANATIONS:
        if re.fullmatch(each.tests, test) and each.holds(difference):
            return each.name
    return None
