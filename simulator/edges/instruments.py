"""The bench's instruments on one TCP port: supply, meter at the module's rail, attenuator, as SCPI has them.

Several clients, each with its own place in a line.  Whoever listens chooses the address; loopback is meant.
"""

from __future__ import annotations

import contextlib
import socket
from functools import partial
from typing import TYPE_CHECKING, Final

from .scpi import Language, OutOfRangeError, number, switch

if TYPE_CHECKING:
    from collections.abc import Callable

    from simulator.model import Model

    from .descriptors import Descriptors
    from .listening import Listening

_CHUNK: Final = 4096
_LONGEST_LINE: Final = 4096
_LEAST_AMPS: Final = 0.001
_MOST_VOLTS, _MOST_AMPS, _MOST_DB = 60.0, 100.0, 200.0


def language(model: Model, settle: Callable[[], None]) -> Language:
    """What the instruments of *model* understand; *settle* lets it take in what is due before it is asked.

    The supply at the header, the meter at the module's rail and the attenuator share one instrument: each
    command is one part's only, so the channel makes no difference.
    """
    supply, air = model.supply, model.air

    def asked(read: Callable[[], float], form: str) -> Callable[[], str]:
        def answer() -> str:
            settle()
            return format(read(), form)

        return answer

    def taken(do: Callable[[float], None], *, most: float, least: float = 0.0) -> Callable[[str], None]:
        def take(text: str) -> None:
            value = number(text)
            if not least <= value <= most:
                raise OutOfRangeError(text)
            settle()
            do(value)

        return take

    def turn(text: str) -> None:
        on = switch(text)
        settle()
        supply.turn(on=on)

    def volts_at_source() -> float:
        return supply.volts if supply.is_on else 0.0

    return Language(
        identity="Ashbeck Instruments,simulated bench,0,1.0",
        queries={
            "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]": asked(lambda: supply.volts, ".4f"),
            "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]": asked(lambda: supply.limit_a, ".4f"),
            "OUTPut[:STATe]": lambda: str(int(supply.is_on)),
            "MEASure[:SCALar]:VOLTage": asked(volts_at_source, ".6E"),
            "MEASure[:SCALar]:CURRent[:DC]": asked(lambda: supply.drawn_a, ".6E"),
            "MEASure[:SCALar]:VOLTage:DC": asked(lambda: supply.rail_v, ".6E"),
            "INPut:ATTenuation": asked(lambda: air.antennas.attenuation_db, ".2f"),
            "INSTrument:NSELect": lambda: "1",
        },
        settings={
            "[SOURce:]VOLTage[:LEVel][:IMMediate][:AMPLitude]": taken(supply.set_volts, most=_MOST_VOLTS),
            "[SOURce:]CURRent[:LEVel][:IMMediate][:AMPLitude]": taken(
                supply.set_limit, least=_LEAST_AMPS, most=_MOST_AMPS
            ),
            "OUTPut[:STATe]": turn,
            "INPut:ATTenuation": taken(lambda db: air.move_antennas(attenuation_db=db), most=_MOST_DB),
            "INSTrument:NSELect": taken(lambda _: None, most=3),
            "*RST": lambda _: turn("OFF"),
        },
    )


class Instruments:
    """Listens until `close`; `resource` is its name for VISA."""

    def __init__(self, language: Language, *, listening: Listening, descriptors: Descriptors) -> None:
        self._language, self._descriptors = language, descriptors
        self._pending: dict[socket.socket, bytes] = {}
        family = socket.AF_INET6 if ":" in listening.address else socket.AF_INET
        self._listener = socket.create_server((listening.address, listening.number), family=family)
        self._listener.setblocking(False)  # noqa: FBT003 # its only way
        descriptors.add_reader(self._listener.fileno(), self._accept)

    @property
    def resource(self) -> str:
        """Its name for VISA."""
        address, port = self._listener.getsockname()[:2]
        return f"TCPIP0::{address}::{port}::SOCKET"

    def close(self) -> None:
        """Listen no longer, and hang up."""
        self._descriptors.remove_reader(self._listener.fileno())
        self._listener.close()
        for client in list(self._pending):
            self._drop(client)

    def _accept(self) -> None:
        with contextlib.suppress(OSError):  # whoever knocked has gone again
            client, _ = self._listener.accept()
            client.setblocking(False)  # noqa: FBT003 # as above
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._pending[client] = b""
            self._descriptors.add_reader(client.fileno(), partial(self._read, client))

    def _read(self, client: socket.socket) -> None:
        try:
            data = client.recv(_CHUNK)
        except BlockingIOError:
            return
        except OSError:
            data = b""
        *lines, pending = (self._pending[client] + data).split(b"\n")
        self._pending[client] = pending
        if not data or len(pending) > _LONGEST_LINE:
            self._drop(client)
            return
        for line in lines:
            answer = self._language.line(line.decode("ascii", "replace").strip())
            if answer is not None:
                try:
                    client.sendall(answer.encode() + b"\n")
                except OSError:  # gone, or one that asks and never reads
                    self._drop(client)
                    return

    def _drop(self, client: socket.socket) -> None:
        self._pending.pop(client, None)
        self._descriptors.remove_reader(client.fileno())
        client.close()
