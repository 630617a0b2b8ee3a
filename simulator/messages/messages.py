"""The module's short messages: what it keeps, what it sends, what becomes of those that come.

Terminals' wishes go in as `Routing`s; news goes out as announcements.  It knows no AT.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

from simulator.codec import gsm7
from simulator.codec.addresses import UNKNOWN, Address
from simulator.codec.coding import Alphabet
from simulator.codec.damage import PduError
from simulator.codec.message_pdu import MessagePdu
from simulator.codec.tpdu import Deliver, StatusReport, Submit, decode_from_phone, decode_to_phone
from simulator.codec.user_data import MOST_OCTETS, UserData
from simulator.kernel.announcement import Announcement
from simulator.kernel.timeline import ns
from simulator.module.power import Power

from .causes import BUSY, CENTRE_UNKNOWN, NO_SERVICE, card_refusal
from .link import MessageLink
from .on_card import ON_CARD, OnCard
from .routing import Way, destination
from .service_centre import NO_ANSWER
from .store import JointStore, Status, Store, Stored, StoreFullError

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable

    from simulator.card.card import Card
    from simulator.kernel.timeline import Wakeup
    from simulator.module.module import Module
    from simulator.network.registration import Registration

    from .parameters import TextParameters
    from .routing import Routing
    from .service_centre import ServiceCentre
    from .store import AnyStore

# TS 23.040 9.2.3.22: what a message is not taken with.
_CARD_FULL, _FULL, _UNSPECIFIED = 208, 211, 255
# TS 24.011 10.2.2.2, from memory: the terminal has 12 to 20 s to acknowledge.
ACKNOWLEDGE_LIMIT_NS: Final = ns(15)

# TS 23.040 9.2.3.9: a message that nobody is to see, and those that replace an earlier one of their kind.
_SILENT: Final = 0x40
_REPLACING: Final = range(0x41, 0x48)

IN_MODULE, BOTH, OF_REPORTS = "ME", "MT", "SR"


@dataclass(frozen=True, slots=True)
class Received:
    """A message that terminals get themselves, at once."""

    message: Deliver | StatusReport
    pdu: MessagePdu


@dataclass(frozen=True, slots=True)
class Kept:
    """A message that has been put into store: where."""

    message: Deliver | StatusReport
    store: str
    index: int


@dataclass(frozen=True, slots=True)
class Sent:
    """How sending went: the message reference, or the code of +CMS ERROR."""

    reference: int
    error: int | None = None


class Messages:
    """The messages of one module.

    `kept` announces what has been stored, `changed` every change of the stores; *give* hands a message to the
    terminals that want it themselves, and says whether one could take it; *routings* are what terminals have
    asked for.  `memories` names the stores for reading and deleting, for writing and sending, for what comes
    (+CPMS).  `waits_for_terminal`: under `service` 1 a message that was handed out has yet to be
    acknowledged.
    """

    def __init__(
        self, *, module: Module, card: Card, registration: Registration, centre: ServiceCentre
    ) -> None:
        self.kept: Announcement[Kept] = Announcement()
        self.changed: Announcement[None] = Announcement()
        self.unacknowledged: Announcement[None] = Announcement()
        self.routings: Callable[[], Iterable[Routing]] = tuple
        self.give: Callable[[Received], bool] = lambda _: False
        self._module, self._card, self._registration, self._centre = module, card, registration, centre
        self.link = MessageLink(module=module, registration=registration, centre=centre)
        capacities, self._quirks = module.profile.messages, module.profile.messages.quirks
        self._in_module = Store(IN_MODULE, capacity=capacities.places)
        self._reports = Store(OF_REPORTS, capacity=capacities.report_places)
        self._cards: dict[str, OnCard] = {}
        self._take_card()
        self._is_ready = False
        self._getting_ready: Wakeup | None = None
        self._unanswered: Callable[[int | None], None] | None = None
        self._limit: Wakeup | None = None
        self._is_short_of_room = False
        self._set_defaults()
        centre.serve(self)
        module.power.changed.listen(lambda change: self._on_power(change.after))
        registration.changed.listen(lambda _: self._on_registration())
        card.changed.listen(lambda _: self._take_card())

    def _take_card(self) -> None:
        """What lies on the card in the slot is there from now on: each card keeps its own."""
        if self._card.iccid not in self._cards:
            self._cards[self._card.iccid] = OnCard(self._card.settings)
        self._on_card = on_card = self._cards[self._card.iccid]
        self.stores: dict[str, AnyStore] = {
            ON_CARD: on_card.store,
            IN_MODULE: self._in_module,
            BOTH: JointStore(BOTH, (self._in_module, on_card.store)),
            OF_REPORTS: self._reports,
        }

    @property
    def centre_address(self) -> Address | None:
        """The service centre's number on the card."""
        return self._on_card.centre

    @centre_address.setter
    def centre_address(self, address: Address | None) -> None:
        self._on_card.centre = address

    def _set_defaults(self) -> None:
        first = self._module.profile.messages.preferred
        self.memories: list[str] = [first, first, first]
        self.service = 0

    def make_ready(self) -> None:
        """Skip the start of the store (the bench starts in this state)."""
        if self._getting_ready is not None:
            self._getting_ready.cancel()
            self._getting_ready = None
        self._is_ready = True

    # -- what commands ask ----------------------------------------------------

    @property
    def refusal(self) -> int | None:
        """The code of +CMS ERROR that every message command fails with now; None where there is none."""
        return card_refusal(self._card) or (None if self._is_ready else BUSY)

    def memory(self, number: int) -> AnyStore:
        """The store in force: 0 for reading, 1 for writing, 2 for what comes."""
        return self.stores[self.memories[number]]

    def entry_cut(self, text: str) -> None:
        """The module goes while a message is entered: it is lost, as nothing was stored or sent yet."""
        store = self.memory(1)
        if self._quirks.keeps_unfinished and not store.is_full:
            alphabet = Alphabet.GSM7 if gsm7.is_encodable(text) else Alphabet.OCTETS
            data = UserData.of(text[:MOST_OCTETS], alphabet)
            message = Submit(recipient=Address("", UNKNOWN), data=data, dcs=4 * alphabet.value)
            store.add(Stored(MessagePdu(None, message.encode()), Status.UNSENT))

    def add(self, store: AnyStore, stored: Stored) -> int:
        """Keep *stored*, and return where; raises StoreFullError."""
        if self._quirks.overwrites_oldest and store.is_full:
            oldest = next(iter(store), None)
            if oldest is not None:
                store.delete(oldest[0])
        index = store.add(stored)
        self.changed.announce(None)
        return index

    def mark_read(self, entries: Iterable[Stored]) -> None:
        """What was unread among *entries* has been read."""
        unread = [stored for stored in entries if stored.status is Status.UNREAD]
        for stored in unread:
            stored.status = Status.READ
        if unread:
            self.changed.announce(None)

    @property
    def has_unread(self) -> bool:
        """Whether a message waits to be read in the store for what comes."""
        store = self.memory(2)
        if not store.used or self.refusal is not None:
            return False
        return any(stored.status is Status.UNREAD for _, stored in store)

    @property
    def is_full(self) -> bool:
        """Whether the store for what comes has no room."""
        return self.memory(2).is_full and self.refusal is None

    def delete(self, store: AnyStore, index: int) -> None:
        """Free a place; the service centre hears of it where messages wait for room."""
        if not store.delete(index, keeps_place=self._quirks.keeps_places):
            return
        self.changed.announce(None)
        if self._is_short_of_room:
            self._is_short_of_room = False
            if self._registration.is_registered:
                self.link.acknowledge()  # TS 23.040 10.3: memory available
                self._centre.try_again()

    def save(self, parameters: TextParameters) -> None:
        """Keep *parameters* and the service centre's address for `restore` (+CSAS)."""
        self._on_card.saved = (self.centre_address, parameters)

    def restore(self) -> TextParameters:
        """What was saved last; the service centre's address is in force again (+CRES)."""
        self.centre_address, parameters = self._on_card.saved
        return parameters

    def next_reference(self) -> int:
        """The message reference of the next message: the card counts them (TS 23.040 9.2.3.6)."""
        self._on_card.last_reference = (self._on_card.last_reference + 1) % 256
        return self._on_card.last_reference

    def send(self, octets: bytes, centre: Address | None, settled: Callable[[Sent], None]) -> None:
        """Send a message from the phone, with a reference of the module's own; raises PduError for none.

        *centre* None goes by the card's service centre.  *settled* is not called where the module
        goes before.
        """
        decode_from_phone(octets)
        centre = centre or self.centre_address
        refusal = self.refusal
        if refusal is None and not self.link.has_service:
            refusal = NO_SERVICE
        if refusal is None and (centre is None or not centre.text):
            refusal = CENTRE_UNKNOWN
        if refusal is not None or centre is None:
            settled(Sent(0, refusal))
            return
        reference = self.next_reference()
        self._record("sending", reference=reference)
        numbered = octets[:1] + bytes([reference]) + octets[2:]

        def answered(error: int | None) -> None:
            if error is None:
                self._record("sent", reference=reference)
            else:
                self._record("failed", reference=reference, error=error)
            settled(Sent(reference, error))

        self.link.send(numbered, centre, answered)

    # -- what the service centre asks -------------------------------------------

    @property
    def number(self) -> str:
        """The card's own number; empty where it has none."""
        return (self._card.settings.number or "") if self._card.settings is not None else ""

    @property
    def is_reachable(self) -> bool:
        """Whether a message can be delivered now."""
        return self.link.reaches_network and self.refusal is None

    def take(self, octets: bytes, centre: Address, acknowledge: Callable[[int | None], None]) -> None:
        """A message has come; what becomes of it decides how it is acknowledged."""

        def answer(cause: int | None) -> None:
            if cause != NO_ANSWER:
                self.link.acknowledge()
            acknowledge(cause)

        pdu = MessagePdu(centre, octets)
        try:
            message = decode_to_phone(octets)
        except PduError:
            answer(_UNSPECIFIED)
            return
        if isinstance(message, StatusReport):
            self._take_report(message, pdu, answer)
        elif message.pid == _SILENT:
            answer(None)
        else:
            self._take_message(message, pdu, answer)

    def _take_message(self, message: Deliver, pdu: MessagePdu, answer: Callable[[int | None], None]) -> None:
        way, named = destination(message, self.routings())
        if way is Way.DROP:
            self._record("dropped")
            answer(None)
        elif way is Way.DIRECT:
            self._hand_out(Received(message, pdu), answer)
        else:
            self._keep(message, pdu, self.stores[named] if named else self.memory(2), answer)

    def _take_report(
        self, report: StatusReport, pdu: MessagePdu, answer: Callable[[int | None], None]
    ) -> None:
        wanted = {routing.reports for routing in self.routings()}
        if 1 in wanted:
            self._hand_out(Received(report, pdu), answer)
        elif 2 in wanted:  # noqa: PLR2004 # <ds>
            self._keep(report, pdu, self.stores[OF_REPORTS], answer)
        else:
            self._record("dropped")
            answer(None)

    def _keep(
        self,
        message: Deliver | StatusReport,
        pdu: MessagePdu,
        store: AnyStore,
        answer: Callable[[int | None], None],
    ) -> None:
        stored = Stored(pdu, Status.UNREAD)
        try:
            index = self._place(message, stored, store)
        except StoreFullError:
            self._record("full", store=store.name)
            if self._quirks.loses_when_full:
                answer(None)
                return
            self._is_short_of_room = True
            answer(_CARD_FULL if store.name == ON_CARD else _FULL)
            return
        self._record("kept", store=store.name, index=index)
        answer(None)
        self.kept.announce(Kept(message, store.name, index))

    def _place(self, message: Deliver | StatusReport, stored: Stored, store: AnyStore) -> int:
        if isinstance(message, Deliver) and message.pid in _REPLACING:
            for index, earlier in store:
                if not earlier.status.is_received or not isinstance(earlier.message, Deliver):
                    continue
                if (earlier.message.pid, earlier.message.sender) == (message.pid, message.sender):
                    store.replace(index, stored)
                    self.changed.announce(None)
                    return index
        return self.add(store, stored)

    # -- messages handed out ----------------------------------------------------

    @property
    def waits_for_terminal(self) -> bool:
        """Whether a terminal has yet to acknowledge a message."""
        return self._unanswered is not None

    def _hand_out(self, received: Received, answer: Callable[[int | None], None]) -> None:
        if self.service:
            self._unanswered = answer
            self._limit = self._module.timeline.call_in(ACKNOWLEDGE_LIMIT_NS, self._give_up)
        is_given = self.give(received)
        if not is_given:
            self._record("refused")
        if self.service and not is_given:
            self.acknowledge(NO_ANSWER)
        elif not self.service:
            answer(None if is_given else NO_ANSWER)

    def acknowledge(self, cause: int | None) -> None:
        """The terminal has taken the message that it was given (None), or refuses it."""
        answer, self._unanswered = self._unanswered, None
        if self._limit is not None:
            self._limit.cancel()
            self._limit = None
        if answer is not None:
            answer(cause)

    def _give_up(self) -> None:
        """Nobody has acknowledged in time: nothing is handed out any more (TS 27.005 3.4.4)."""
        self._limit = None
        self._record("unacknowledged")
        self.unacknowledged.announce(None)
        self.acknowledge(NO_ANSWER)

    # -- the module around ------------------------------------------------------

    def _on_power(self, state: Power) -> None:
        if state is Power.READY:
            if not self._is_ready and self._getting_ready is None:
                delays = self._module.profile.delays
                delay_ns = self._module.draws.draw_ns("store_ready", delays.store_ready_s)
                self._getting_ready = self._module.timeline.call_in(delay_ns, self._ready)
            return
        if self._getting_ready is not None:
            self._getting_ready.cancel()
            self._getting_ready = None
        self._is_ready = False
        self.acknowledge(NO_ANSWER)
        self._set_defaults()
        for store in self.stores.values():
            store.free_places()

    def _ready(self) -> None:
        self._getting_ready = None
        self._is_ready = True
        self.changed.announce(None)
        self._on_registration()

    def _on_registration(self) -> None:
        if self.is_reachable:
            self._centre.try_again()

    def _record(self, what: str, **more: str | int | None) -> None:
        self._module.recorder.record("module/messages", what, **more)
