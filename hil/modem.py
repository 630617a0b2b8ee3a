"""Comfort above any bench: press the key for so long, wait until ready, ask, silence the radios.

Written once against the bench interface, the same on every bench.
"""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Final

from .deadline import Deadline
from .dialogue.dialogue import Dialogue
from .errors import (
    BenchUndecidedError,
    CommandFailedError,
    LateRunError,
    NoReplyError,
    NotReachedError,
    PortGoneError,
    PortMissingError,
)
from .lateness import allowed_late_s

if TYPE_CHECKING:
    from collections.abc import Callable

    from .bench.interface import Bench, Port
    from .dialogue.reply import Reply
    from .messages import Messages

# How long a local command may take (3GPP modules' manuals give up to 5 s; common practice).
LOCAL_S: Final = 5.0
# How often a state that is asked for by command is asked again.
_ASK_EVERY_S: Final = 0.25
# How long an AT may go unanswered before it is sent again.
_AGAIN_S: Final = 0.5
# Beyond the largest value of a delay, before it counts as not kept.
_GRACE_S: Final = 0.5
_ESCAPE: Final = b"\x1b"


class Modem:
    """The modem on *bench*, spoken to on the port *role*."""

    def __init__(self, bench: Bench, *, role: str = "at") -> None:
        self.bench, self.role = bench, role
        self._port: Port | None = None
        profile = bench.profile
        self.dialogue = Dialogue(announcements=(profile.boot_line, profile.farewell_line))

    # -- the key ------------------------------------------------------------

    def press(self, seconds: float) -> None:
        """Press the power key for *seconds*, through whatever polarity the wiring has.

        Raises LateRunError where it became longer: what the module does then says nothing of such a press.
        """
        late_s, allowed_s = self._press(seconds) - seconds, allowed_late_s(seconds)
        if late_s > allowed_s:
            raise LateRunError(late_s=late_s, allowed_s=allowed_s)

    def _press(self, seconds: float) -> float:
        """Press; how long it was held."""
        key, clock = self.bench.header["power_key"], self.bench.clock
        key.set_active(True)
        began_s = clock.now_s()
        clock.wait(seconds)
        key.set_active(False)
        return clock.now_s() - began_s

    @property
    def start_press_s(self) -> float:
        """A press that starts the module and is not too long."""
        return self.bench.profile.key.start_press_s[0]

    @property
    def stop_press_s(self) -> float:
        """A press that stops the module."""
        return self.bench.profile.key.stop_press_s

    # -- on and off ---------------------------------------------------------

    @property
    def boot_longest_s(self) -> float:
        """From the start threshold until AT on USB must answer."""
        delays = self.bench.profile.delays
        return delays.usb_appears_s.relied_on + delays.usb_answers_after_s.relied_on + _GRACE_S

    @property
    def stop_longest_s(self) -> float:
        """From the stop until the module must be off."""
        return self.bench.profile.delays.stop_s.relied_on + _GRACE_S

    def is_on(self) -> bool:
        """Whether the module is on, judged by its status output if there is one, else by its ports.

        Without a status output this takes as long as a boot where nothing shows at first.
        """
        if "header:status" in self.bench.parts:
            return self.bench.header["status"].is_active()
        if self._shows_ports():
            return True
        if self.bench.start_state == "off" and self.bench.is_untouched:
            return False
        return self._wait(self._shows_ports, self.bench.profile.delays.usb_appears_s.relied_on + _GRACE_S)

    def make_off(self) -> None:
        """Return with the module off for longer than its dead window; raises NotReachedError."""
        if self.is_on():
            if not self._shows_ports():
                self._wait(self._shows_ports, self.boot_longest_s)
            self._press(self.stop_press_s)
            self.wait_off()
        self.bench.clock.wait(self.bench.profile.key.dead_after_off_s + 0.1)

    def wait_off(self) -> None:
        """Return once the ports are gone (and the status inactive); raises NotReachedError."""
        limit_s = self.stop_longest_s
        if not self._wait(lambda: not self._shows_ports() and not self._shows_status(), limit_s):
            raise NotReachedError(wanted="the module off", seen="its ports still there", waited_s=limit_s)
        self.close()

    def start(self) -> None:
        """From off: press and return once AT answers."""
        self._press(self.start_press_s)
        self.wait_ready()

    def make_ready(self) -> None:
        """Return with AT answering, whatever the state was; a press is given on proof of off only."""
        if not self.is_on():
            self.start()
        else:
            self.wait_ready()

    def wait_ports(self, timeout_s: float) -> bool:
        """True once the module shows its ports; False after *timeout_s*."""
        return self._wait(self._shows_ports, timeout_s)

    def wait_ready(self, *, timeout_s: float | None = None) -> None:
        """Return once AT is answered with OK; raises PortMissingError or NoReplyError."""
        limit_s = self.boot_longest_s if timeout_s is None else timeout_s
        deadline = Deadline(self.bench.clock, limit_s)
        try:
            self.bench.ports.wait_for(self.role, timeout_s=limit_s)
        except PortMissingError:
            self.bench.health.check()
            raise
        while True:
            # Silence is expected here, so what it means is asked at the end only.
            with contextlib.suppress(NoReplyError, PortGoneError, BenchUndecidedError):
                if self.command("AT", timeout_s=min(max(deadline.left_s, 0.1), 0.5), demand_ok=False).is_ok:
                    return
            if deadline.has_passed:
                self.bench.health.check()
                raise NoReplyError(sent=b"AT\r", waited_s=limit_s, heard=self.dialogue.heard)

    # -- AT -----------------------------------------------------------------

    def command(self, text: str, *, timeout_s: float = LOCAL_S, demand_ok: bool = True) -> Reply:
        """Send *text* and return its reply.

        Silence is a question to the bench first: NoReplyError only where the bench is fit.  A result other
        than OK raises CommandFailedError unless *demand_ok* is False.
        """
        sent = self.dialogue.send(text)
        self._opened().write(sent)
        return self._await(sent, timeout_s, demand_ok=demand_ok)

    def enter(self, text: str, message: str, *, timeout_s: float, demand_ok: bool = True) -> Reply:
        """Send *text*, a command that prompts, then *message* in one line; return the reply.

        Without a prompt in time the entry is given up with ESC, and NoReplyError raised; else as `command`.
        """
        port = self._opened()
        sent = self.dialogue.send(text)
        port.write(sent)
        try:
            self._hear(sent, LOCAL_S, lambda: self.dialogue.take_prompt() or self.dialogue.has_reply)
        except NoReplyError:
            port.write(_ESCAPE)
            raise
        if self.dialogue.has_reply:
            return self._await(sent, LOCAL_S, demand_ok=demand_ok)
        port.write(self.dialogue.send_message(message))
        return self._await(sent, timeout_s, demand_ok=demand_ok)

    def _await(self, sent: bytes, timeout_s: float, *, demand_ok: bool) -> Reply:
        self._hear(sent, timeout_s, lambda: self.dialogue.has_reply)
        reply = self.dialogue.take_reply()
        assert reply is not None  # noqa: S101 # just heard
        if demand_ok and not reply.is_ok:
            raise CommandFailedError(sent=sent[:-1].decode("latin-1"), result=reply.result, lines=reply.lines)
        return reply

    def _hear(self, sent: bytes, timeout_s: float, is_enough: Callable[[], bool]) -> None:
        """Take in what comes until *is_enough*; raises NoReplyError."""
        port = self._opened()
        deadline = Deadline(self.bench.clock, timeout_s)
        while not is_enough():
            data = port.read(timeout_s=deadline.left_s)
            if not data and deadline.has_passed:
                heard = self.dialogue.heard
                self.dialogue.abandon()
                self.bench.health.check()
                raise NoReplyError(sent=sent, waited_s=timeout_s, heard=heard)
            self.dialogue.receive(data)

    def wake(self, *, times: int = 5) -> int:
        """Send AT until it is answered, at most *times*; how many it took.

        For an interface that may rest or has yet to learn the host's rate.  Raises NoReplyError.
        """
        for count in range(1, times):
            with contextlib.suppress(NoReplyError, BenchUndecidedError):
                if self.command("AT", timeout_s=_AGAIN_S, demand_ok=False).is_ok:
                    return count
        self.command("AT")
        return times

    def listen(self, seconds: float) -> list[str]:
        """The unsolicited lines that have come, and those of the next *seconds*."""
        port = self._opened()
        deadline = Deadline(self.bench.clock, seconds)
        while not deadline.has_passed:
            self.dialogue.receive(port.read(timeout_s=deadline.left_s))
        lines = list(self.dialogue.unsolicited)
        self.dialogue.unsolicited.clear()
        return lines

    def close(self) -> None:
        """Let go of the port; the next command opens it again."""
        if self._port is not None:
            self._port.close()
            self._port = None

    # -- card and network ---------------------------------------------------

    def unlock_card(self) -> None:
        """Wait until the card has started; enter its PIN once if it wants one and has tries left."""
        delays = self.bench.profile.delays
        limit_s = delays.card_ready_s.relied_on + delays.usb_answers_after_s.relied_on + _GRACE_S
        self._until("the card started", lambda: "+CPIN" in self._card_says(), limit_s)
        says = self._card_says()
        if says == "+CPIN: SIM PIN" and self.bench.card_pin is not None:
            tries = self.command("AT+CPINR").value("+CPINR").split(",")
            if int(tries[1]) < 2:  # noqa: PLR2004 # the last try is never spent
                raise NotReachedError(wanted="the card unlocked", seen=f"{tries[1]} tries left", waited_s=0)
            self.command(f'AT+CPIN="{self.bench.card_pin}"', timeout_s=20)
        limit_s = delays.pin_accepted_s.relied_on + _GRACE_S
        if not self._wait(lambda: self._card_says() == "+CPIN: READY", limit_s):
            raise NotReachedError(wanted="+CPIN: READY", waited_s=limit_s, seen=self._card_says())

    def wait_registered(self, *, timeout_s: float | None = None) -> None:
        """Return once the module tells home or roaming; raises NotReachedError."""
        delays = self.bench.profile.delays
        limit_s = delays.registration_s.relied_on + 2 * _GRACE_S if timeout_s is None else timeout_s
        if not self._wait(self.is_registered, limit_s):
            seen = f"stat {self.registration()}, +CFUN {self.functionality()}"
            raise NotReachedError(wanted="registered", waited_s=limit_s, seen=seen)

    def is_registered(self) -> bool:
        """Whether the module tells home or roaming, in LTE or in 2G."""
        return self.registration() in (1, 5)

    def registration(self) -> int:
        """`<stat>` of +CEREG? or, where that is 0, of +CREG? (TS 27.007 10.1.22, 7.2)."""
        return self.stat("+CEREG") or self.stat("+CREG")

    def stat(self, command: str) -> int:
        """`<stat>` of +CREG?, +CGREG? or +CEREG?."""
        return int(self.command(f"AT{command}?").value(command).split(",")[1])

    def reject_cause(self) -> int | None:
        """The 3GPP cause of the refusal that +CEREG? or +CREG? tells; None where there is none."""
        for command in ("+CEREG", "+CREG"):
            self.command(f"AT{command}=3")
            fields = self.command(f"AT{command}?").value(command).split(",")
            if len(fields) == 7 and fields[5] == "0":  # noqa: PLR2004 # <n>,<stat>,,,,<cause_type>,<cause>
                return int(fields[6])
        return None

    def make_registered(self) -> None:
        """From ready: unlock the card and return once registered."""
        self.unlock_card()
        self.wait_registered()

    # -- messages -----------------------------------------------------------

    @property
    def messages(self) -> Messages:
        """Its short messages: send, read, delete."""
        from .messages import Messages

        return Messages(self)

    def wait_messages_ready(self) -> None:
        """Return once message commands can be used; raises NotReachedError."""
        limit_s = self.bench.profile.delays.store_ready_s.relied_on + _GRACE_S
        self._until(
            "the message store ready", lambda: self.command("AT+CPMS?", demand_ok=False).is_ok, limit_s
        )

    # -- the radios ---------------------------------------------------------

    def disable_radio(self) -> None:
        """Silence the radios by their pin."""
        self.bench.header["radio_disable"].set_active(True)

    def enable_radio(self) -> None:
        """Let the radios work again."""
        self.bench.header["radio_disable"].set_active(False)

    def functionality(self) -> int:
        """What +CFUN? tells (TS 27.007 8.2)."""
        return int(self.command("AT+CFUN?").value("+CFUN"))

    # -- waiting ------------------------------------------------------------

    def wait_until(self, wanted: str, holds: Callable[[], bool], *, timeout_s: float) -> None:
        """Return once *holds*, asked every quarter second; raises NotReachedError."""
        self._until(wanted, holds, timeout_s)

    def _card_says(self) -> str:
        reply = self.command("AT+CPIN?", timeout_s=20, demand_ok=False)
        return reply.lines[0] if reply.lines else reply.result

    def _until(self, wanted: str, holds: Callable[[], bool], limit_s: float) -> None:
        if not self._wait(holds, limit_s):
            raise NotReachedError(wanted=wanted, waited_s=limit_s)

    def _wait(self, holds: Callable[[], bool], limit_s: float) -> bool:
        deadline = Deadline(self.bench.clock, limit_s)
        while not holds():
            if deadline.has_passed:
                return False
            self.bench.clock.wait(min(_ASK_EVERY_S, deadline.left_s))
        return True

    def _shows_ports(self) -> bool:
        return any(role in self.bench.ports.present() for role in self.bench.profile.usb.ports)

    def _shows_status(self) -> bool:
        return "header:status" in self.bench.parts and self.bench.header["status"].is_active()

    def _opened(self) -> Port:
        if self._port is None or not self._port.is_open:
            self.close()
            self._port = self.bench.ports.open(self.role)
        return self._port
