"""One direction of a serial line: bytes in at the sender's end, characters out at the receiver's, in time.

The sender puts one character after another onto the wire at its own rate; the receiver samples the wire at
its own.  Where both are set alike and nothing disturbs, the byte that went in comes out when its stop bit
ends; else the levels are followed bit by bit.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Final

from .framing import LineSettings, Received, Receiver, parity_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from random import Random

    from simulator.kernel.timeline import Timeline, Wakeup

# What a host's end holds that has not been sent yet.
_HOST_QUEUE: Final = 65536
_HIGH, _LOW = 1, 0


class Wire:
    """A wire with its two ends.

    *carries* says whether it goes through, *is_heard* whether anybody is at the other end, *may_send* whether
    the other side lets the sender send.
    `received` gets each character at its instant, `lost` each byte that went nowhere, `drained` is told
    whenever nothing is left on the wire.  `noise` is the chance of each bit to arrive inverted.
    """

    def __init__(
        self,
        *,
        timeline: Timeline,
        sender: LineSettings,
        receiver: LineSettings,
        stream: Random,
        received: Callable[[Received], None],
        lost: Callable[[int], None],
        drained: Callable[[], None],
        limit: int = _HOST_QUEUE,
    ) -> None:
        self.sender = sender
        self.carries: Callable[[], bool] = lambda: True
        self.may_send: Callable[[], bool] = lambda: True
        self.is_heard: Callable[[], bool] = lambda: True
        self.before_character: Callable[[int], None] | None = None
        self.noise = 0.0
        self._receiver = Receiver(receiver)
        self._timeline, self._stream = timeline, stream
        self._received, self._lost, self._drained = received, lost, drained
        self._queue, self._limit = bytearray(), limit
        self._unheard = b""
        self._began_ns = 0
        self._on_its_way: Wakeup | None = None
        self._completion: Wakeup | None = None
        self._rest_level = _HIGH
        self._when_idle: list[Callable[[], None]] = []

    @property
    def waiting(self) -> int:
        """How many bytes have not been sent whole."""
        return len(self._queue) + (len(self._unheard) or self._on_its_way is not None)

    @property
    def is_busy(self) -> bool:
        """Whether a character is on the wire, or waits for it."""
        return self._on_its_way is not None or bool(self._queue)

    def left_ns(self) -> int:
        """How long until what waits has gone, if nothing holds it up, and one character more."""
        return (self.waiting + 1) * self.sender.character_ns if self.waiting else 0

    @property
    def receiving(self) -> LineSettings:
        """What the receiver is set to."""
        return self._receiver.settings

    def tune(self, settings: LineSettings) -> None:
        """The receiver is set to *settings*; a character half received is forgotten."""
        if settings != self._receiver.settings:
            self._receiver = Receiver(settings)

    def send(self, data: bytes) -> int:
        """Put *data* into the sender's queue, which holds *limit* bytes; how many were taken."""
        taken = data[: self._limit - len(self._queue)]
        self._queue += taken
        self.go_on()
        return len(taken)

    def go_on(self) -> None:
        """Send what waits, if it may be sent now."""
        if self._on_its_way is None and self._queue and self._rest_level == _HIGH and self.may_send():
            self._begin()

    def purge(self) -> None:
        """Forget what has not begun; the character on the wire goes on."""
        self._queue.clear()

    def cut(self) -> None:
        """The sender has lost its power: nothing goes on, and what was promised for later is void."""
        self.purge()
        self._when_idle.clear()
        self._unheard = b""
        if self._on_its_way is not None:
            self._on_its_way.cancel()
            self._on_its_way = None

    def when_idle(self, action: Callable[[], None]) -> None:
        """Do *action* once all that was sent is through: at once where nothing is under way."""
        if self.is_busy:
            self._when_idle.append(action)
        else:
            action()

    def set_break(self, on: bool) -> None:
        """Hold the wire low once what is under way has gone, or let it go at once."""
        if on:
            self.when_idle(partial(self._set_rest, _LOW))
        else:
            self._set_rest(_HIGH)

    def _set_rest(self, level: int) -> None:
        if level == self._rest_level:
            return
        now_ns = self._timeline.now_ns
        self._look(now_ns)
        self._rest_level = level
        if level == _LOW and self.carries():
            self._take(self._receiver.see(_LOW, now_ns + 1))
            self._complete_later()
        self.go_on()

    def heard(self) -> None:
        """Somebody is at the other end from now on: what has not begun will be heard."""
        if not self._unheard or self._on_its_way is None:
            return
        begun = 1 + (self._timeline.now_ns - self._began_ns) // self.sender.character_ns
        gone, left = self._unheard[:begun], self._unheard[begun:]
        if left:
            self._on_its_way.cancel()
            self._queue[:0] = left
            self._go_unheard(gone)

    def _go_unheard(self, data: bytes) -> None:
        """Nobody is there to hear *data*: it goes in one piece, in the time that it takes."""
        self._unheard = data
        ends_ns = self._began_ns + len(data) * self.sender.character_ns
        self._on_its_way = self._timeline.call_at(ends_ns, self._end_unheard)

    def _end_unheard(self) -> None:
        gone, self._unheard = self._unheard, b""
        self._on_its_way = None
        for byte in gone:
            self._lost(byte)
        self._next()

    def _begin(self) -> None:
        timeline, sender = self._timeline, self.sender
        now_ns = timeline.now_ns
        if not self.is_heard():
            data = bytes(self._queue)
            self._queue.clear()
            self._began_ns = now_ns
            self._go_unheard(data)
            return
        byte = self._queue.pop(0)
        if self.before_character is not None:
            self.before_character(byte)
        receiver = self._receiver
        if not self.carries():
            done: Callable[[], None] = partial(self._end_lost, byte)
        elif (
            sender == receiver.settings
            and receiver.is_idle
            and not self.noise
            and sender.stop_bits == 1
            and sender.data_bits == 8  # noqa: PLR2004 # fewer would cut the byte
        ):
            done = partial(self._end_received, byte)
        else:
            if self._completion is not None:
                self._completion.cancel()
            self._look(now_ns)
            for level, until_ns in self._course(byte):
                self._take(receiver.see(level, now_ns + until_ns))
            done = self._end
        self._on_its_way = timeline.call_at(now_ns + sender.character_ns, done)

    def _course(self, byte: int) -> list[tuple[int, int]]:
        """The levels of *byte*, disturbed where there is noise."""
        sender = self.sender
        if not self.noise:
            return list(sender.levels(byte))
        bits = [_LOW, *((byte >> place) & 1 for place in range(sender.data_bits))]
        if sender.parity != "N":
            bits.append(parity_of(byte, sender))
        bits += [_HIGH]
        course = [
            (level ^ (self._stream.random() < self.noise), sender.after_bits_ns(place + 1))
            for place, level in enumerate(bits)
        ]
        return [*course[:-1], (course[-1][0], sender.character_ns)]

    def _take(self, found: list[Received]) -> None:
        """Hand over each character at the instant at which it is complete."""
        now_ns = self._timeline.now_ns
        for one in found:
            self._timeline.call_at(max(one.at_ns, now_ns), partial(self._received, one))

    def _look(self, until_ns: int) -> None:
        """Let the receiver see the wire at rest until *until_ns*."""
        self._take(self._receiver.see(self._rest_level, until_ns))

    def _end_received(self, byte: int) -> None:
        self._on_its_way = None
        self._received(Received(self._timeline.now_ns, byte))
        self._next()

    def _end_lost(self, byte: int) -> None:
        self._on_its_way = None
        self._lost(byte)
        self._next()

    def _end(self) -> None:
        self._on_its_way = None
        self._next()

    def _next(self) -> None:
        self.go_on()
        if self._on_its_way is not None or self._queue:
            return
        if self._receiver.completes_ns is not None:
            self._complete_later()
        else:
            self._drained()
        actions, self._when_idle = self._when_idle, []
        for action in actions:
            action()

    def _complete_later(self) -> None:
        """The wire rests: whatever is half received will be complete by itself."""
        completes_ns = self._receiver.completes_ns
        if completes_ns is not None:
            self._completion = self._timeline.call_at(
                max(completes_ns, self._timeline.now_ns), partial(self._complete, self._receiver)
            )

    def _complete(self, receiver: Receiver) -> None:
        if receiver is not self._receiver:  # tuned anew meanwhile
            return
        for one in receiver.see(self._rest_level, self._timeline.now_ns):
            self._received(one)
        if not self.is_busy:
            self._drained()
