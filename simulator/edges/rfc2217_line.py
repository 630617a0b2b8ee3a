"""A port of the module as the serial object that pyserial's RFC 2217 port manager works on."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from simulator.module.framing import PARITIES, LineSettings

if TYPE_CHECKING:
    from simulator.module.port import Port

_SLOWEST, _FASTEST = 50, 4_000_000
_STOP_BITS: Final = (1, 1.5, 2)


class Rfc2217Line:
    """Settings and control lines by the names that pyserial's serial objects have.

    Setters raise ValueError for what no line can be set to; the port manager then answers with what it is.
    """

    def __init__(self, port: Port) -> None:
        self._port = port
        self._line = LineSettings(9600)
        self._rtscts = False
        self._break = False
        self.xonxoff = False
        self._tell()

    def _set(self, **changed: float | str) -> None:
        line = self._line._replace(**changed)  # type: ignore[arg-type] # fields by name
        if line != self._line:
            self._line = line
            self._tell()

    def _tell(self) -> None:
        self._port.settings(self._line, rtscts=self._rtscts)

    @property
    def baudrate(self) -> int:
        """Bit/s."""
        return self._line.baud

    @baudrate.setter
    def baudrate(self, baud: int) -> None:
        if not _SLOWEST <= baud <= _FASTEST:
            raise ValueError(f"baud: found {baud}; allowed: {_SLOWEST} to {_FASTEST}")
        self._set(baud=baud)

    @property
    def bytesize(self) -> int:
        """Data bits."""
        return self._line.data_bits

    @bytesize.setter
    def bytesize(self, bits: int) -> None:
        if bits not in (5, 6, 7, 8):
            raise ValueError(f"data bits: found {bits}; allowed: 5 to 8")
        self._set(data_bits=bits)

    @property
    def parity(self) -> str:
        """N, E, O, M or S."""
        return self._line.parity

    @parity.setter
    def parity(self, parity: str) -> None:
        if parity not in PARITIES:
            raise ValueError(f"parity: found {parity!r}; allowed: {', '.join(PARITIES)}")
        self._set(parity=parity)

    @property
    def stopbits(self) -> float:
        """1, 1.5 or 2."""
        return self._line.stop_bits

    @stopbits.setter
    def stopbits(self, bits: float) -> None:
        if bits not in _STOP_BITS:
            raise ValueError(f"stop bits: found {bits}; allowed: 1, 1.5, 2")
        self._set(stop_bits=bits)

    @property
    def rtscts(self) -> bool:
        """Whether CTS is heeded."""
        return self._rtscts

    @rtscts.setter
    def rtscts(self, on: bool) -> None:
        if on is not self._rtscts:
            self._rtscts = on
            self._tell()

    @property
    def dtr(self) -> bool:
        """Circuit 108/2."""
        return self._port.dtr

    @dtr.setter
    def dtr(self, on: bool) -> None:
        self._port.set_lines(dtr=on)

    @property
    def rts(self) -> bool:
        """Circuit 105 or 133."""
        return self._port.rts

    @rts.setter
    def rts(self, on: bool) -> None:
        self._port.set_lines(rts=on)

    @property
    def break_condition(self) -> bool:
        """Whether the transmit line is held low."""
        return self._break

    @break_condition.setter
    def break_condition(self, on: bool) -> None:
        if on is not self._break:
            self._break = on
            self._port.set_break(on)

    @property
    def cts(self) -> bool:
        """Circuit 106."""
        return self._port.control_lines.cts

    @property
    def dsr(self) -> bool:
        """Circuit 107."""
        return self._port.control_lines.dsr

    @property
    def ri(self) -> bool:
        """Circuit 125."""
        return self._port.control_lines.ri

    @property
    def cd(self) -> bool:
        """Circuit 109."""
        return self._port.control_lines.dcd

    def reset_input_buffer(self) -> None:
        """Nothing is kept on this side."""

    def reset_output_buffer(self) -> None:
        """Nothing is kept on this side."""
