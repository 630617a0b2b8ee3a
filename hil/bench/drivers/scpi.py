"""An instrument that speaks SCPI (SCPI-1999, IEEE 488.2), through PyVISA and its pure-Python back-end.

One session for each resource, shared by the drivers that name it.  Every answer is judged: silence, nonsense
and an instrument's own error are told as what they are.
"""

from __future__ import annotations

import math
import re
import socket
import threading
from typing import TYPE_CHECKING, Annotated, Any, ClassVar, Final

from pydantic import Field

from hil.errors import BenchUnfitError
from simulator.kernel.section import Positive

from .contracts import DriverOptions
from .table import need

if TYPE_CHECKING:
    from typing import Self

# SCPI-1999 volume 1, 7.2.1: NAN and the infinities as numbers.
_NO_NUMBER: Final = 9.9e37
_ERROR: Final = re.compile(r'([+-]?\d+)\s*,\s*"?([^"]*)')


class ScpiOptions(DriverOptions):
    """Where an instrument is.

    *resource*: `TCPIP0::192.0.2.10::5025::SOCKET`, `ASRL/dev/ttyUSB7::INSTR`, `USB0::…::INSTR`.  *backend*:
    that of PyVISA, pure Python where nothing is said.  *channel* is chosen before each command (`INST:NSEL`).
    """

    resource: Annotated[str, Field(min_length=1)]
    backend: str = "@py"
    timeout_s: Positive = 2.0
    channel: Annotated[int, Field(ge=1)] | None = None
    asks_errors: bool = True


class Instrument:
    """One open session; commands of several threads do not mix."""

    opened: ClassVar[dict[tuple[str, str], Instrument]] = {}

    def __init__(self, options: ScpiOptions) -> None:
        self._options = options
        self._users = 0
        self._lock = threading.RLock()
        pyvisa = need("pyvisa", driver="scpi")
        if options.backend == "@py":
            need("pyvisa_py", driver="scpi")
        self.visa_error: Any = pyvisa.Error
        self._manager: Any = pyvisa.ResourceManager(options.backend)
        self._session: Any = self._manager.open_resource(
            options.resource, read_termination="\n", write_termination="\n"
        )
        self._session.timeout = round(options.timeout_s * 1000)
        self._send_at_once()

    def _send_at_once(self) -> None:
        """A command and the query after it must not wait for each other's acknowledgement (some 40 ms).

        PyVISA-py 0.8 cannot be told so; other back-ends have their own way.
        """
        sessions = getattr(self._manager.visalib, "sessions", {})
        interface = getattr(sessions.get(self._session.session), "interface", None)
        if isinstance(interface, socket.socket):
            interface.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    @classmethod
    def of(cls, options: ScpiOptions, part: str) -> Self:
        """The session for *options*, opened when it is not yet; raises BenchUnfitError."""
        key = (options.backend, options.resource)
        found = cls.opened.get(key)
        if found is None:
            try:
                found = cls(options)
            except Exception as error:
                if isinstance(error, ImportError):
                    raise
                raise BenchUnfitError(
                    part=part,
                    reason=f"{options.resource} cannot be opened ({_first_line(error)})",
                    cure="switch it on, and look at cable and address",
                ) from error
            cls.opened[key] = found
        found._users += 1
        return found  # type: ignore[return-value] # one class only

    def let_go(self) -> None:
        """One user less; the last closes."""
        self._users -= 1
        if not self._users:
            del self.opened[self._options.backend, self._options.resource]
            try:
                self._session.close()
                self._manager.close()
            except (OSError, self.visa_error):
                return

    def ask(self, command: str) -> str:
        """Send a query; the answer's text."""
        with self._lock:
            return str(self._session.query(command)).strip()

    def tell(self, command: str, *, asks_errors: bool) -> str | None:
        """Send a command; the error that the instrument has of it, if any."""
        with self._lock:
            self._session.write(command)
            if not asks_errors:
                return None
            answer = str(self._session.query("SYST:ERR?")).strip()
        found = _ERROR.match(answer)
        if found is None:
            return f"answered {answer[:40]!r} to SYST:ERR?"
        return None if int(found[1]) == 0 else f"error {found[1]} ({found[2]})"


class ScpiPart:
    """A part at an instrument: commands out, judged numbers back."""

    def __init__(self, options: ScpiOptions, part: str) -> None:
        self._options, self._part = options, part
        self._instrument: Instrument | None = Instrument.of(options, part)
        try:
            self.identity()  # whether anybody is there shows only now
        except BaseException:
            self.close()
            raise

    def tell(self, command: str) -> None:
        """Send a command and look whether the instrument took it."""
        error = self._tried(
            lambda one: one.tell(self._chosen(command), asks_errors=self._options.asks_errors), command
        )
        if error is not None:
            raise self._unfit(f"{command!r}: {error}", "look at what this instrument understands")

    def ask(self, command: str) -> str:
        """Send a query; the answer's text."""
        return str(self._tried(lambda one: one.ask(self._chosen(command)), command))

    def number(self, command: str, *, low: float, high: float) -> float:
        """Send a query; the number that comes, between *low* and *high*."""
        answer = self.ask(command)
        try:
            value = float(answer)
        except ValueError:
            value = math.nan
        if math.isnan(value) or abs(value) >= _NO_NUMBER or not low <= value <= high:
            raise self._unfit(
                f"{command!r} was answered with {answer[:40]!r} instead of {low:g} to {high:g}",
                "look at the instrument's screen and its probes",
            )
        return value

    def identity(self) -> str:
        """What `*IDN?` says."""
        return self.ask("*IDN?")

    def close(self) -> None:
        """Let go of the session."""
        if self._instrument is not None:
            self._instrument.let_go()
            self._instrument = None

    def _chosen(self, command: str) -> str:
        channel = self._options.channel
        return command if channel is None else f"INST:NSEL {channel};:{command.removeprefix(':')}"

    def _tried(self, action: Any, command: str) -> Any:  # noqa: ANN401 # whatever it gives
        instrument = self._instrument
        if instrument is None:
            raise ValueError(f"{self._part} is closed")
        try:
            return action(instrument)
        except UnicodeDecodeError as error:
            raise self._unfit(f"{command!r} was answered with no text", "look at the instrument") from error
        except (OSError, instrument.visa_error) as error:
            raise self._unfit(
                f"no answer to {command!r} ({_first_line(error)})", "switch it on, and look at its cable"
            ) from error

    def _unfit(self, reason: str, cure: str) -> BenchUnfitError:
        return BenchUnfitError(part=self._part, reason=f"{self._options.resource}: {reason}", cure=cure)


def _first_line(error: BaseException) -> str:
    return (str(error).splitlines() or [type(error).__name__])[0]
