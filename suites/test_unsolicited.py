"""What the module says by itself: where, when, and how a reply is told from it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

import pytest

from hil.dialogue.dialogue import Dialogue
from hil.verbatim import Verbatim

if TYPE_CHECKING:
    from hil.bench.interface import Bench
    from hil.modem import Modem

pytestmark = pytest.mark.needs("header:power_key", "port:at", "surroundings:network")

OK = b"\r\nOK\r\n"
# Levels that show as many bars and as none or one, whatever the module's steps are.
_STRONG_DBM, _WEAK_DBM = -60, -125
_REPORT: Final = b"\r\n+CIEV: 1,"
_SLOW_S = 2.0


class _Level:
    """The level of the cell, which goes up and down."""

    def __init__(self, bench: Bench) -> None:
        self._bench = bench
        self._is_strong = True
        bench.surroundings.move("network", rsrp_dbm=_STRONG_DBM)

    def change(self) -> None:
        self._is_strong = not self._is_strong
        self._bench.surroundings.move("network", rsrp_dbm=_STRONG_DBM if self._is_strong else _WEAK_DBM)


@pytest.fixture
def level(bench: Bench, verbatim: Verbatim) -> _Level:
    """A cell whose level can be changed, reported by the module on the AT port."""
    found = _Level(bench)
    verbatim.ask(b"AT+CMER=3,0,0,2\r")
    return found


def _without_reports(heard: bytes) -> tuple[bytes, int]:
    """*heard* with its reports taken out, and how many they were."""
    count = 0
    while (start := heard.find(_REPORT)) >= 0:
        end = heard.index(b"\r\n", start + len(_REPORT)) + 2
        heard, count = heard[:start] + heard[end:], count + 1
    return heard, count


def _places(bench: Bench, reply: bytes) -> list[float]:
    """Instants within the reply: between any two of its pieces, or its beginning where it is whole."""
    settings = bench.profile.at
    pieces = -(-len(reply) // settings.reply_piece) if settings.reply_piece else 1
    return [place * settings.piece_gap_s for place in range(pieces)]


def test_reports_come_only_where_they_were_asked_for(verbatim: Verbatim, bench: Bench) -> None:
    level = _Level(bench)
    verbatim.hear()
    level.change()
    unasked = verbatim.hear()
    verbatim.ask(b"AT+CMER=3,0,0,2\r")
    level.change()

    assert unasked == b""
    assert verbatim.hear().startswith(_REPORT)


def test_a_report_waits_for_a_slow_command_or_not_as_the_profile_says(
    verbatim: Verbatim, bench: Bench, level: _Level
) -> None:
    extensions = bench.profile.extensions
    slow = (
        name
        for name, command in extensions.commands.items()
        if "action" in command.forms and command.effect == "none" and command.delay_s.min > _SLOW_S
    )
    name = next(slow, None)
    if name is None:
        pytest.skip(f"{bench.profile.name} has no slow command without effect")
    verbatim.send(f"AT{extensions.prefix}{name}\r".encode())
    bench.clock.wait(_SLOW_S / 2)
    level.change()
    heard = verbatim.hear(silence_s=extensions.commands[name].delay_s.relied_on + 1)

    assert heard.count(OK) == heard.count(_REPORT) == 1
    assert (heard.index(OK) < heard.index(_REPORT)) is bench.profile.at.hold_unsolicited


def test_a_report_cuts_into_a_reply_only_where_the_profile_lets_it(
    verbatim: Verbatim, bench: Bench, level: _Level
) -> None:
    reply = verbatim.ask(b"AT+CGMR\r")
    for after_s in _places(bench, reply):
        verbatim.send(b"AT+CGMR\r")
        if after_s:
            bench.clock.wait(after_s)
        level.change()
        heard = verbatim.hear()

        assert _without_reports(heard) == (reply, 1), f"{after_s} s after the command"
        if bench.profile.at.hold_unsolicited:
            assert heard.startswith(reply)


def test_a_reply_is_understood_wherever_a_report_comes(
    verbatim: Verbatim, bench: Bench, level: _Level
) -> None:
    for after_s in _places(bench, verbatim.ask(b"AT+CGMR\r")):
        dialogue = Dialogue()
        verbatim.send(dialogue.send("AT+CGMR"))
        if after_s:
            bench.clock.wait(after_s)
        level.change()
        dialogue.receive(verbatim.hear())
        reply = dialogue.take_reply()

        assert reply is not None
        assert (reply.lines, reply.is_ok) == ((bench.profile.identity.revision,), True)
        assert [line.startswith("+CIEV: 1,") for line in dialogue.unsolicited] == [True]


def test_the_reports_of_a_burst_all_come_as_far_apart_as_the_profile_says(
    verbatim: Verbatim, bench: Bench, level: _Level
) -> None:
    gap_s = bench.profile.at.unsolicited_gap_s
    verbatim.hear()
    for _ in range(6):
        level.change()
    heard = verbatim.hear(silence_s=gap_s + verbatim.silence_s)

    assert _without_reports(heard) == (b"", 6)


def test_reports_go_to_the_ports_that_the_profile_names(modem_ready: Modem, bench: Bench) -> None:
    modem_ready.close()
    level = _Level(bench)
    roles = [role for role in ("at", "data") if role in bench.ports.present()]
    ports = {role: Verbatim(bench, role=role) for role in roles}
    for port in ports.values():
        port.ask(b"ATE0+CMER=3,0,0,2\r")
    level.change()
    told = {role for role, port in ports.items() if _REPORT in port.hear()}
    for port in ports.values():
        port.close()

    assert told == set(roles) & set(bench.profile.at.unsolicited_on)


def test_q1_silences_reports_too(verbatim: Verbatim, level: _Level) -> None:
    # V.250 6.2.5: unsolicited result codes are suppressed as well.
    verbatim.ask(b"ATQ1\r")
    level.change()
    silent = verbatim.hear()
    verbatim.ask(b"ATQ0\r")
    level.change()

    assert silent == b""
    assert verbatim.hear().startswith(_REPORT)
