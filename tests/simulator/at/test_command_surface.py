"""Whatever clients send, whatever happens meanwhile: echo exact, one final result, errors without effect."""

from __future__ import annotations

import re
from typing import TYPE_CHECKING, Any

import pytest
from hypothesis import HealthCheck, Phase, settings
from hypothesis import strategies as st
from hypothesis.stateful import RuleBasedStateMachine, initialize, invariant, precondition, rule

from hil.bench.files import load_bench
from hil.bench.shipped import find_bench
from simulator.at.registry import COMMANDS, Choice, Number
from simulator.edges.port_edges import MemoryEdges
from simulator.kernel.timeline import ns
from simulator.model import Model

if TYPE_CHECKING:
    from simulator.at.registry import Declared

FINAL = re.compile(rb"(?:OK|ERROR|\+CM[ES] ERROR: [^\r\n]+)")
NUMERIC = re.compile(rb"[04]")
UNSOLICITED = ("+CREG", "+CGREG", "+CEREG", "+CSCON", "+CIEV", "+CTZ")

# Shrinking takes minutes; what fails is printed rule by rule as it is.
PHASES = (Phase.explicit, Phase.generate)

# What ends the conversation (the module restarts), spends the card's tries, or is a format of its own.
LEFT_OUT = {"S", "+CPIN", "+CLCK", "+CPWD", "+CLAC"}
DECLARED = [command for command in COMMANDS if command.name not in LEFT_OUT]


def values_of(command: Declared, draw: Any) -> str:  # noqa: ANN401 # Hypothesis's own
    """Values for *command*: mostly such as it takes, now and then another or none."""
    written = []
    for parameter in command.parameters:
        choices: list[st.SearchStrategy[str]] = [
            st.just(""),
            st.sampled_from(["-1", "99999999999", '"', "x"]),
        ]
        if isinstance(parameter, Number):
            choices.insert(0, st.sampled_from(parameter.allowed or (parameter.low, parameter.high)).map(str))
        elif isinstance(parameter, Choice):
            choices.insert(0, st.sampled_from(parameter.allowed).map('"{}"'.format))
        else:
            choices.insert(0, st.from_regex(r'"[ -!#-~]{0,8}"', fullmatch=True))
        written.append(draw(st.one_of(*choices)))
    if command.name == "+CFUN":
        written = written[:1]  # <rst> restarts the module
    return ",".join(written)


class Surface(RuleBasedStateMachine):
    """A client that knows what it has set, beside the module."""

    @initialize(pieces=st.sampled_from([0, 1, 7]), holds=st.booleans(), delay=st.sampled_from([0.0, 0.02]))
    def begin(self, pieces: int, holds: bool, delay: float) -> None:
        """A ready module with its ways of replying."""
        unit = {"at": {"reply_piece": pieces, "hold_unsolicited": holds}, "delays": {"reply_s": delay}}
        overrides = {"start": {"module": "ready"}, "module": {"unit": unit}}
        self.model = Model(load_bench(find_bench("gauge-station"), overrides).settings)
        self.model.start()
        self.edge = MemoryEdges(self.model).by_role["at"]
        self.port = self.model.module.ports["at"]
        self.port.client_opened()
        self.pass_time(1)

    # -- what the client does ----------------------------------------------------

    @property
    def session(self) -> Any:  # noqa: ANN401 # the module's own
        return self.model.at.channels["at"].session

    def pass_time(self, seconds: float) -> bytes:
        self.model.timeline.run_until(self.model.timeline.now_ns + ns(seconds))
        heard: bytes = self.edge.take(1_000_000)
        return heard

    def state(self) -> dict[str, Any]:
        """All that a command could have changed."""
        slots = {name: value for name, value in vars(self.session).items() if name != "has_new_format"}
        slots["registers"] = dict(self.session.registers)
        slots["registration_reports"] = dict(self.session.registration_reports)
        serial, radio = self.model.module.serial, self.model.module.radio
        assert serial is not None
        clock = self.model.module.clock
        return slots | {
            "uart": (serial.module, serial.detects_rate, serial.heeds_rts, serial.drives_cts),
            "radio": (radio.requested, radio.functionality),
            "clock": (clock.quarters, clock.is_set, clock.follows_network),
            "position": self.model.module.position_on,
            "rest": serial.rest_idle_s,
        }

    def ask(self, body: str) -> list[bytes]:
        """Send a line; echo and number of final results are judged; its lines, the final result last."""
        before = self.session
        echoes = before.echo
        data = b"A/" if body == "/" else f"AT{body}".encode("latin-1") + bytes([before.registers[3]])
        self.port.receive(data)
        heard = self.pass_time(180)
        if echoes:
            assert heard.startswith(data), (data, heard)
            heard = heard.removeprefix(data)
        session = self.session
        parts = [part for part in re.split(b"[" + re.escape(session.line_end.encode()) + b"]", heard) if part]
        parts = [part for part in parts if not part.decode().startswith(UNSOLICITED) or body.startswith("+")]
        if session.quiet:
            assert not any(FINAL.fullmatch(part) for part in parts), (body, heard)
            return parts
        is_final = (
            FINAL.fullmatch
            if session.verbose
            else lambda part: NUMERIC.fullmatch(part) or FINAL.fullmatch(part)
        )
        finals = [part for part in parts if is_final(part)]
        assert finals, (body, heard)
        if not session.verbose and (body == "/" or "?" in body):
            return parts  # a number alone may be information, or a result
        assert len(finals) == 1, (body, heard)
        return parts

    # -- rules -------------------------------------------------------------------

    @rule(data=st.data())
    def one_command(self, data: st.DataObject) -> None:
        """One command in any form: if it fails, nothing has changed."""
        command = data.draw(st.sampled_from(DECLARED))
        if command.name.startswith("+"):
            form = data.draw(st.sampled_from(["", "?", "=?", "="]))
            body = command.name + form + (values_of(command, data.draw) if form == "=" else "")
        else:
            body = command.name + data.draw(st.sampled_from(["", "0", "1", "2", "9", "99", "?"]))
        before, clock = self.state(), self.model.module.clock.now_utc()
        heard = self.ask(body)
        failed = not self.session.quiet and (heard[-1].startswith((b"ERROR", b"+CME")) or heard[-1] == b"4")
        if failed:
            assert self.state() == before, body
            assert abs((self.model.module.clock.now_utc() - clock).total_seconds() - 180) < 1

    @rule(
        number=st.sampled_from([0, 3, 4, 5, 7, 11, 300]),
        value=st.sampled_from([None, 0, 8, 10, 13, 33, 128, 999]),
    )
    def an_s_parameter(self, number: int, value: int | None) -> None:
        """S3 and S4 stay apart from digits and letters, so that lines can be told from each other."""
        if number in (3, 4, 5) and value == 0:
            return
        before = self.state()
        heard = (
            self.ask(f"S{number}=" + ("" if value is None else str(value)))
            if value
            else self.ask(f"S{number}?")
        )
        if not self.session.quiet and heard[-1] in (b"ERROR", b"4"):
            assert self.state() == before

    @rule()
    def sound_again(self) -> None:
        """The defaults come back with Z, whatever was set."""
        self.ask("Z")
        assert (self.session.echo, self.session.verbose, self.session.quiet) == (True, True, False)

    @rule(
        lines=st.lists(
            st.sampled_from(["+CSQ", "+CGMR", "+CMEE?", "+NOSUCH", "+CREG?"]), min_size=1, max_size=5
        )
    )
    def many_commands(self, lines: list[str]) -> None:
        """A concatenation ends at its first fault; nothing behind it is answered."""
        heard = self.ask(";".join(lines))
        if not self.session.quiet and self.session.verbose:
            known = lines.index("+NOSUCH") if "+NOSUCH" in lines else len(lines)
            assert (heard[-1] == b"OK") is (known == len(lines))

    @rule()
    def the_last_line_again(self) -> None:
        """A/ has one final result too."""
        self.ask("/")

    @rule(noise=st.binary(max_size=64))
    def noise_then_a_line(self, noise: bytes) -> None:
        """Bytes that begin no line are ignored, and a line that they begin ends with the next terminator."""
        end = bytes([self.session.registers[3]])
        if re.search(rb"[aA\xc1\xe1]", noise):
            return
        self.port.receive(noise + end)
        self.pass_time(60)

    @rule(present=st.booleans(), level=st.sampled_from([-70, -110, -150]))
    def the_cell_moves(self, present: bool, level: int) -> None:
        """The surroundings change between lines."""
        self.model.air.move(present=present, rsrp_dbm=level)
        self.pass_time(60)

    @precondition(lambda self: self.model.card.state.value == "PIN")
    @rule()
    def the_pin_is_entered(self) -> None:
        """The card opens: registration and its reports begin."""
        self.ask('+CPIN="1234"')

    @rule(size=st.sampled_from([1025, 100_000]))
    def a_line_past_the_limit(self, size: int) -> None:
        """One ERROR, and nothing of it is kept."""
        before = self.state()
        heard = self.ask("E0" * (size // 2) + "X")
        assert self.state() == before
        if not self.session.quiet:
            assert heard[-1] in (b"ERROR", b"4")

    @invariant()
    def memory_is_bounded(self) -> None:
        """Nothing piles up."""
        if hasattr(self, "model"):
            channel = self.model.at.channels["at"]
            assert not channel.is_busy
            assert len(channel._backlog) == 0
            assert len(channel._reader._body) <= 1024
            assert len(channel._lines) == 0


@pytest.mark.slow
def test_the_command_surface_keeps_its_promises() -> None:
    from hypothesis.stateful import run_state_machine_as_test

    run_state_machine_as_test(
        Surface,
        settings=settings(
            max_examples=60,
            stateful_step_count=25,
            deadline=None,
            derandomize=True,
            database=None,
            phases=PHASES,
            suppress_health_check=list(HealthCheck),
        ),
    )
