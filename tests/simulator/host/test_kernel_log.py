"""The kernel's messages as /dev/kmsg gives them (Documentation/ABI/testing/dev-kmsg, from memory)."""

from __future__ import annotations

import pytest

from simulator.host.kernel_log import BOOTED, ERROR, KernelLog
from simulator.kernel.timeline import Timeline


@pytest.fixture
def timeline() -> Timeline:
    return Timeline()


@pytest.fixture
def log(timeline: Timeline) -> KernelLog:
    return KernelLog(timeline)


def test_records_have_priority_number_and_instant(timeline: Timeline, log: KernelLog) -> None:
    log.uptime_ns = lambda now_ns: now_ns + 1_000_000_000_000
    log.say("first")
    timeline.run_until(2_500_000)
    log.say("second", priority=ERROR)
    records, place = [], 0
    while place < log.size:
        records.append(log.record_at(place))
        place += len(records[-1])

    assert records == [
        f"6,0,0,-;{BOOTED}\n".encode(),
        b"6,1,1000000000,-;first\n",
        b"3,2,1000002500,-;second\n",
    ]


def test_at_the_end_there_is_nothing_for_now(log: KernelLog) -> None:
    log.say("x")
    with pytest.raises(BlockingIOError):
        log.record_at(log.size)


@pytest.mark.parametrize(
    ("written", "record"),
    [
        ("hello\n", b"12,1,0,-;hello\n"),  # a program's warning, where it says nothing else
        ("<5>hello", b"13,1,0,-;hello\n"),
        ("<30>from a daemon", b"30,1,0,-;from a daemon\n"),
    ],
)
def test_programs_write_messages_of_their_own(log: KernelLog, written: str, record: bytes) -> None:
    log.write(written)

    assert log.record_at(log.size - 1) == record


def test_more_than_a_line_may_be_is_refused(log: KernelLog) -> None:
    with pytest.raises(OSError, match="EINVAL"):
        log.write("x" * 1000)


def test_the_ring_keeps_the_newest(log: KernelLog) -> None:
    for number in range(5000):
        log.say(str(number))

    assert log.texts[0] == "904"
    assert log.texts[-1] == "4999"
    assert log.record_at(0).endswith(b";904\n")
