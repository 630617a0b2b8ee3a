"""The service centre in the surroundings: messages from the phone in, messages for it out, each in its time.

It stores and forwards: what it has accepted it delivers when the phone can be reached, and tries again while
the message is valid.  Its manners (slow, forgetful, in disorder, twice) can be moved at run time.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, replace
from datetime import timedelta
from typing import TYPE_CHECKING, Annotated, Final, Literal, Protocol

from pydantic import Field

from simulator.codec.addresses import Address
from simulator.codec.coding import coding_of
from simulator.codec.damage import PduError
from simulator.codec.tpdu import NO_MORE, Command, Deliver, StatusReport, decode_from_phone
from simulator.codec.user_data import UserData, alphabet_for, parts
from simulator.kernel.section import NotNegative, Section
from simulator.kernel.timeline import ns

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from simulator.codec.tpdu import FromPhone, Submit
    from simulator.kernel.randomness import Randomness
    from simulator.kernel.recorder import Recorder, Value
    from simulator.kernel.timeline import Timeline, Wakeup

# Causes of 3GPP TS 24.011 E.2 and TS 23.040 9.2.3.22.  What a wrong service centre is answered with is common
# practice, no source.
_NETWORK_OUT_OF_ORDER: Final = 38
_REJECTED_DUPLICATE: Final = 197
_INVALID: Final = 96
_MEMORY_FULL: Final = (22, 208, 211)

# TS 23.040 9.2.3.15.
DELIVERED, REJECTED, EXPIRED, DELETED, UNKNOWN_MESSAGE = 0x00, 0x42, 0x46, 0x47, 0x49
_ENQUIRY, _CANCEL_REPORT, _DELETE, _ENABLE_REPORT = 0, 1, 2, 3
# What it answers to an enquiry about a message that it still holds: trying, no response.
_TRYING: Final = 0x22

# How long a message without validity is kept (common practice, no source: two days).
_KEPT: Final = timedelta(days=2)
# Between two messages for one phone, and until one that got no answer is tried again (common practice).
_GAP_NS: Final = ns(0.5)
_AGAIN_NS: Final = ns(60)

Number = Annotated[str, Field(pattern=r"^\+\d{5,15}$")]


class ServiceCentreSettings(Section):
    """Number and manners of the service centre.

    *answer_s*: from a message's arrival to its acknowledgement (the phone gives up after 40 s, and the
    message is on its way all the same).  *delivery_s*, and up to *jitter_s* more: from there to the
    recipient. *order*: which of several messages that wait for the phone goes first.  *lost*, *doubled*: the
    chance of a message to be forgotten, or to be delivered twice.  *loops*: every message goes back to its
    sender, not only those that are for its number.  *refuses*: the cause that every message is refused with
    (+CMS ERROR 1 to 255).  *unreachable*: a number whose phone is off.  *reports*: whether it gives the
    reports that are asked for.
    """

    number: Number = "+447700900000"
    answer_s: NotNegative = 2.0
    delivery_s: NotNegative = 3.0
    jitter_s: NotNegative = 0.0
    order: Literal["first", "last", "any"] = "first"
    lost: Annotated[float, Field(ge=0, le=1)] = 0.0
    doubled: Annotated[float, Field(ge=0, le=1)] = 0.0
    loops: bool = False
    refuses: Annotated[int, Field(ge=1, le=255)] | None = None
    unreachable: Number | None = None
    reports: bool = True


class IncomingMessage(Section):
    """A message from somewhere for the module's number.

    *message_class* 0 to 3 as in TS 23.038 4; *validity_s*: how long it may wait for the module.
    """

    text: str
    sender: Annotated[str, Field(pattern=r"^\+?[0-9*#]{1,20}$")] = "+447700900200"
    message_class: Annotated[int, Field(ge=0, le=3)] | None = None
    pid: Annotated[int, Field(ge=0, le=255)] = 0
    validity_s: NotNegative | None = None


class Phone(Protocol):
    """The module as its service centre sees it."""

    @property
    def number(self) -> str:
        """Its number; empty where it has none."""

    @property
    def is_reachable(self) -> bool:
        """Whether the network could deliver a message now."""

    def take(self, octets: bytes, centre: Address, acknowledge: Callable[[int | None], None]) -> None:
        """A message has come; *acknowledge* with None, or with the cause why not, is called once at most."""


@dataclass(slots=True, kw_only=True, eq=False)
class _Waiting:
    """One message that waits for the phone, or for a recipient elsewhere."""

    message: Deliver | StatusReport
    expires_ns: int
    recipient: str = ""
    submitted: Submit | None = None
    stamp: datetime | None = None
    wants_report: bool = False
    tries: int = 0
    expiry: Wakeup | None = None


class ServiceCentre:
    """One service centre.  *now* tells the network's local time."""

    def __init__(
        self,
        settings: ServiceCentreSettings,
        *,
        timeline: Timeline,
        recorder: Recorder,
        randomness: Randomness,
        now: Callable[[], datetime],
    ) -> None:
        self.settings = settings
        self._timeline, self._recorder, self._now = timeline, recorder, now
        self._chance = randomness.stream("service centre")
        self._phone: Phone | None = None
        self._queue: deque[_Waiting] = deque()
        self._elsewhere: list[_Waiting] = []
        self._is_delivering = self._is_memory_full = False
        self._long_messages = 0

    def serve(self, phone: Phone) -> None:
        """*phone* is the one that messages come from and go to."""
        self._phone = phone

    def move(self, **moved: Value) -> None:
        """Change settings by name; raises pydantic.ValidationError for what is not allowed."""
        self.settings = ServiceCentreSettings.model_validate({**self.settings.model_dump(), **moved})
        self._record("set", **moved)
        self.try_again()

    @property
    def address(self) -> Address:
        """Its number as messages carry it."""
        return Address.of(self.settings.number)

    # -- from the phone -----------------------------------------------------

    def submit(self, octets: bytes, centre: Address, answer: Callable[[int | None], None]) -> None:
        """The phone's network has a message for *centre*; *answer* with None or a cause comes in its time."""
        cause = self._refusal(octets, centre)
        if cause is None:
            self._accept(decode_from_phone(octets))
        else:
            self._record("refused", cause=cause)
        self._timeline.call_in(ns(self.settings.answer_s), lambda: answer(cause))

    def _refusal(self, octets: bytes, centre: Address) -> int | None:
        if centre.text != self.settings.number:
            return _NETWORK_OUT_OF_ORDER
        if self.settings.refuses is not None:
            return self.settings.refuses
        try:
            message = decode_from_phone(octets)
        except PduError:
            return _INVALID
        if isinstance(message, Command) or not message.flags & 0x04:
            return None
        known = (
            (waiting.submitted.reference, waiting.submitted.recipient)
            for waiting in (*self._queue, *self._elsewhere)
            if waiting.submitted is not None
        )
        return _REJECTED_DUPLICATE if (message.reference, message.recipient) in known else None

    def _accept(self, message: FromPhone) -> None:
        self._record("accepted", reference=message.reference, to=message.recipient.text)
        if isinstance(message, Command):
            self._carry_out(message)
            return
        if self._chance.random() < self.settings.lost:
            self._record("lost", reference=message.reference)
            return
        stamp = self._now()
        span = message.span(stamp)
        kept = _KEPT if span is None else span
        waiting = _Waiting(
            message=Deliver(
                sender=Address.of(self._number) if self._number else Address("", 0x81),
                stamp=stamp,
                data=message.data,
                pid=message.pid,
                dcs=message.dcs,
            ),
            expires_ns=self._timeline.now_ns + max(ns(kept.total_seconds()), 0),
            recipient=message.recipient.text,
            submitted=message,
            stamp=stamp,
            wants_report=message.wants_report,
        )
        self._send_on(waiting, is_for_phone=self.settings.loops or message.recipient.text == self._number)

    @property
    def _number(self) -> str:
        return self._phone.number if self._phone is not None else ""

    def _send_on(self, waiting: _Waiting, *, is_for_phone: bool) -> None:
        delay_ns = ns(self.settings.delivery_s + self._chance.random() * self.settings.jitter_s)
        if is_for_phone:
            self._timeline.call_in(delay_ns, lambda: self._enqueue(waiting))
            return
        self._elsewhere.append(waiting)
        is_off = waiting.recipient == self.settings.unreachable
        due_ns = waiting.expires_ns if is_off else self._timeline.now_ns + delay_ns
        self._timeline.call_at(due_ns, lambda: self._leave(waiting, EXPIRED if is_off else DELIVERED))

    def _leave(self, waiting: _Waiting, status: int) -> None:
        """A message for somebody else has reached its end."""
        if waiting in self._elsewhere:
            self._elsewhere.remove(waiting)
            self._record("delivered" if status == DELIVERED else "expired", to=waiting.recipient)
            self._report(waiting, status)

    def _carry_out(self, command: Command) -> None:
        """Enquire about, delete, or change the report of a message that waits (9.2.3.19)."""
        found = next(
            (
                waiting
                for waiting in (*self._elsewhere, *self._queue)
                if waiting.submitted is not None
                and waiting.submitted.reference == command.message
                and waiting.submitted.recipient == command.recipient
            ),
            None,
        )
        status = UNKNOWN_MESSAGE if found is None else _TRYING
        if found is not None and command.what == _DELETE:
            (self._elsewhere if found in self._elsewhere else self._queue).remove(found)
            status = DELETED
        elif found is not None and command.what in (_CANCEL_REPORT, _ENABLE_REPORT):
            found.wants_report = command.what == _ENABLE_REPORT
        if command.what == _ENQUIRY or command.wants_report:
            now = self._now()
            stamp = now if found is None or found.stamp is None else found.stamp
            self._queue_report(command.reference, command.recipient, stamp, status)

    # -- for the phone ------------------------------------------------------

    def bring(self, **incoming: Value) -> None:
        """A message from somewhere; raises pydantic.ValidationError for what is none."""
        wanted = IncomingMessage.model_validate(incoming)
        self._recorder.record("surroundings/message", "set", **incoming)
        self._long_messages += 1
        alphabet = alphabet_for(wanted.text)
        dcs = 4 * alphabet.value + (0 if wanted.message_class is None else 0x10 + wanted.message_class)
        span = _KEPT if wanted.validity_s is None else timedelta(seconds=wanted.validity_s)
        for data in parts(wanted.text, reference=self._long_messages % 256, alphabet=coding_of(dcs).alphabet):
            self.forward(data, sender=Address.of(wanted.sender), dcs=dcs, pid=wanted.pid, span=span)

    def forward(
        self, data: UserData, *, sender: Address, dcs: int = 0, pid: int = 0, span: timedelta = _KEPT
    ) -> None:
        """A message of *sender* is to go to the phone."""
        message = Deliver(sender=sender, stamp=self._now(), data=data, pid=pid, dcs=dcs)
        expires_ns = self._timeline.now_ns + ns(span.total_seconds())
        self._send_on(_Waiting(message=message, expires_ns=expires_ns), is_for_phone=True)

    def try_again(self) -> None:
        """The phone can be reached again, or has room again: deliver what waits."""
        self._is_memory_full = False
        self._deliver()

    @property
    def waiting(self) -> int:
        """How many messages wait for the phone."""
        return len(self._queue)

    def _enqueue(self, waiting: _Waiting) -> None:
        self._queue.append(waiting)
        if waiting.expires_ns > self._timeline.now_ns:
            waiting.expiry = self._timeline.call_at(waiting.expires_ns, lambda: self._expire(waiting))
        self._deliver()

    def _expire(self, waiting: _Waiting) -> None:
        if waiting in self._queue:
            self._queue.remove(waiting)
            self._record("expired", to=self._number)
            self._report(waiting, EXPIRED)

    def _deliver(self) -> None:
        phone = self._phone
        if phone is None or self._is_delivering or self._is_memory_full or not self._queue:
            return
        if not phone.is_reachable:
            return
        waiting = self._next()
        self._is_delivering = True
        waiting.tries += 1
        is_answered = [False]

        def acknowledged(cause: int | None) -> None:
            if not is_answered[0]:
                is_answered[0] = True
                self._acknowledged(waiting, cause)

        message = waiting.message
        flags = message.flags & ~NO_MORE | (NO_MORE if len(self._queue) == 1 else 0)
        phone.take(replace(message, flags=flags).encode(), self.address, acknowledged)

    def _next(self) -> _Waiting:
        match self.settings.order:
            case "first":
                return self._queue[0]
            case "last":
                return self._queue[-1]
            case "any":
                return self._queue[self._chance.randrange(len(self._queue))]

    def _acknowledged(self, waiting: _Waiting, cause: int | None) -> None:
        if cause is None:
            self._record("delivered", to=self._number)
            if waiting.tries > 1 or self._chance.random() >= self.settings.doubled:
                self._drop(waiting)
                self._report(waiting, DELIVERED)
        elif cause in _MEMORY_FULL:
            self._record("delayed", cause=cause)
            self._is_memory_full = True
        elif cause == NO_ANSWER:
            self._record("unanswered")
            self._timeline.call_in(_AGAIN_NS, self._free)
            return
        else:
            self._record("rejected", cause=cause)
            self._drop(waiting)
            self._report(waiting, REJECTED)
        self._timeline.call_in(_GAP_NS, self._free)

    def _free(self) -> None:
        self._is_delivering = False
        self._deliver()

    def _drop(self, waiting: _Waiting) -> None:
        if waiting.expiry is not None:
            waiting.expiry.cancel()
        if waiting in self._queue:
            self._queue.remove(waiting)

    # -- reports ------------------------------------------------------------

    def _report(self, waiting: _Waiting, status: int) -> None:
        submitted, stamp = waiting.submitted, waiting.stamp
        if submitted is not None and stamp is not None and waiting.wants_report:
            self._queue_report(submitted.reference, submitted.recipient, stamp, status)

    def _queue_report(self, reference: int, recipient: Address, stamp: datetime, status: int) -> None:
        if not self.settings.reports:
            return
        report = StatusReport(
            reference=reference, recipient=recipient, stamp=stamp, discharge=self._now(), status=status
        )
        expires_ns = self._timeline.now_ns + ns(_KEPT.total_seconds())
        self._enqueue(_Waiting(message=report, expires_ns=expires_ns))

    def _record(self, what: str, **more: Value) -> None:
        self._recorder.record("surroundings/service_centre", what, **more)


# What the network says for a phone that has not answered.
NO_ANSWER: Final = -1
