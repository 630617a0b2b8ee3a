"""A SCPI instrument on a loopback socket: a supply with a meter and an attenuator, and faults to switch on.

After SCPI-1999 and IEEE 488.2: common commands, the error queue, headers long and short, `;` and `:`.  One
thread for each client; values are plain attributes, or functions of whoever puts a model behind them.
"""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import TYPE_CHECKING, Final, Literal, TypeAlias

from simulator.edges.scpi import Language, OutOfRangeError, number, switch

if TYPE_CHECKING:
    from collections.abc import Callable
    from types import TracebackType
    from typing import Self

Fault: TypeAlias = Literal["silent", "nonsense", "half", "not a number", "refuses", "hangs up", "binary"]

IDENTITY: Final = "Ashbeck Instruments,loopback supply,0,1.0"
_LONGEST_LINE: Final = 4096
# SCPI-1999 volume 2, 21.8.
_REFUSED: Final = (-200, "Execution error")


class ScpiInstrument:
    """Listens from its making until `close`; `resource` is its name for VISA.

    *most_volts*: settings above are out of range.  `load_a` is what is drawn while it is on; `measured` may
    be replaced by functions for `volts`, `amps` and `rail`; `changed` is called after each setting.
    """

    def __init__(self, *, most_volts: float = 30.0, most_db: float = 120.0) -> None:
        self.set_volts, self.limit_a, self.is_on, self.attenuation_db = 0.0, 0.1, False, 0.0
        self.channel = 1
        self.load_a = 0.0
        self.rail_v: float | None = None
        self.measured: dict[str, Callable[[], float]] = {
            "volts": lambda: self.set_volts if self.is_on else 0.0,
            "amps": lambda: min(self.load_a, self.limit_a) if self.is_on else 0.0,
            "rail": lambda: self.measured["volts"]() if self.rail_v is None else self.rail_v,
        }
        self.changed: Callable[[], None] = lambda: None
        self.fault: Fault | None = None
        self.heard: list[str] = []
        self._most_volts, self._most_db = most_volts, most_db
        self._language = self._speak()
        self._lock = threading.Lock()
        self._clients: list[socket.socket] = []
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._thread = threading.Thread(target=self._accept, name="instrument", daemon=True)
        self._thread.start()

    @property
    def port(self) -> int:
        """The number of its TCP port."""
        return int(self._listener.getsockname()[1])

    @property
    def resource(self) -> str:
        """Its name for VISA."""
        return f"TCPIP0::127.0.0.1::{self.port}::SOCKET"

    def close(self) -> None:
        """Hang up and listen no longer; harmless when called again."""
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self.hang_up()
        self._thread.join()

    def hang_up(self) -> None:
        """Hang up on every client; new ones are welcome."""
        while self._clients:
            client = self._clients.pop()
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)
            client.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # -- the wire ---------------------------------------------------------------------------

    def _accept(self) -> None:
        while True:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            self._clients.append(client)
            threading.Thread(target=self._serve, args=(client,), name="client", daemon=True).start()

    def _serve(self, client: socket.socket) -> None:
        pending = b""
        with contextlib.suppress(OSError):
            while data := client.recv(_LONGEST_LINE):
                pending = (pending + data)[-_LONGEST_LINE:]
                *lines, pending = pending.split(b"\n")
                for line in lines:
                    answer = self._line(line.decode("ascii", "replace").strip())
                    if self.fault == "hangs up":
                        return client.close()
                    if answer:
                        client.sendall(self._spoilt(answer))
        return None

    def _spoilt(self, answer: str) -> bytes:
        match self.fault:
            case "silent":
                return b""
            case "nonsense":
                return b"#?!\n"
            case "half":
                return answer[: len(answer) // 2].encode()
            case "not a number":
                return b"9.91E37\n"
            case "binary":
                return b"\xff\xfe\x80\n"
            case _:
                return f"{answer}\n".encode()

    def _line(self, line: str) -> str:
        """One program message; the answers of its queries."""
        with self._lock:
            self.heard.append(line)
            del self.heard[:-1000]
            if self.fault == "refuses" and not line.upper().endswith("?"):
                self._language.fail(_REFUSED)
                return ""
            answer = self._language.line(line)
        self.changed()
        return answer or ""

    # -- the commands -----------------------------------------------------------------------

    def _speak(self) -> Language:
        measured = self.measured
        return Language(
            identity=IDENTITY,
            queries={
                "OUTPut[:STATe]": lambda: str(int(self.is_on)),
                "[SOURce:]VOLTage[:LEVel]": lambda: f"{self.set_volts:.4f}",
                "[SOURce:]CURRent[:LEVel]": lambda: f"{self.limit_a:.4f}",
                "INPut:ATTenuation": lambda: f"{self.attenuation_db:.2f}",
                "MEASure:VOLTage": lambda: f"{measured['volts']():.6E}",
                "MEASure:CURRent": lambda: f"{measured['amps']():.6E}",
                "MEASure:VOLTage:DC": lambda: f"{measured['rail']():.6E}",
            },
            settings={
                "OUTPut[:STATe]": self._turn,
                "[SOURce:]VOLTage[:LEVel]": self._take_volts,
                "[SOURce:]CURRent[:LEVel]": self._take_limit,
                "INSTrument:NSELect": self._take_channel,
                "INPut:ATTenuation": self._take_db,
                "*RST": self._reset,
            },
        )

    def _turn(self, text: str) -> None:
        self.is_on = switch(text)

    def _reset(self, _: str) -> None:
        self.is_on, self.set_volts = False, 0.0

    def _take_volts(self, text: str) -> None:
        self.set_volts = _up_to(self._most_volts, text)

    def _take_limit(self, text: str) -> None:
        self.limit_a = number(text)

    def _take_channel(self, text: str) -> None:
        self.channel = int(number(text))

    def _take_db(self, text: str) -> None:
        self.attenuation_db = _up_to(self._most_db, text)


def _up_to(most: float, text: str) -> float:
    """The number in *text*, from 0 to *most*."""
    value = number(text)
    if not 0 <= value <= most:
        raise OutOfRangeError(text)
    return value
